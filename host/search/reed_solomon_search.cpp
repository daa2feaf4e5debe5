#include <algorithm>
#include <array>

#include "ecc/galois_field.h"
#include "search/parts.h"

namespace steadycell::search {
namespace {

constexpr unsigned kMostSymbols = 16;
constexpr std::uint32_t kMostMetadataBytes = 16, kLargeSpare = 256;

// Symbols of `width` bits, most significant first, of bytes that come one by one.
class Symbols {
 public:
  explicit Symbols(unsigned width) : width_(width) {}
  template <typename Use>
  void add(std::uint8_t byte, Use&& use) {
    window_ = window_ << 8 | byte;
    held_ += 8;
    while (held_ >= width_) {
      held_ -= width_;
      use(window_ >> held_ & ((1u << width_) - 1));
    }
  }
  // The last one, filled up with zero bits.
  template <typename Use>
  void finish(Use&& use) {
    if (held_ == 0) return;
    use(window_ << (width_ - held_) & ((1u << width_) - 1));
    held_ = 0;
  }

 private:
  unsigned width_, held_ = 0;
  std::uint32_t window_ = 0;
};

// With 2t roots in a row the syndromes of a word with e wrong symbols follow a recurrence of length e: the discrepancies of
// Massey's algorithm are zero from number 2e + 1 to number 2t. As for BCH, only how many are zero at the end is asked.
class ReedSolomonSearch {
 public:
  ReedSolomonSearch(const Sample& sample, const Task& task, const ecc::GaloisField& field, const std::atomic<bool>* stop)
      : sample_(sample),
        task_(task),
        steps_(sample.page_bytes() / task.step_bytes),
        code_room_(sample.spare_bytes() / steps_),
        most_t_(std::min({kMostSymbols, code_room_ * 8 / (2 * task.m), (field.order() - task.step_bytes * 8 / task.m) / 2})),
        field_(field),
        varying_(varying_bytes(sample)),
        stop_(stop) {
    if (most_t_ == 0) return;
    const auto usual = usual_polynomials(task.m);
    unusual_ = std::find(usual.begin(), usual.end(), task.polynomial) == usual.end();
    probes_ = make_probes(sample, {0, task.step_bytes}, unusual_ ? 2 : 3, unusual_ ? 4 : 10);
    if (task.bit_order == ecc::BitOrder::lsb_first)
      for (Probe& probe : probes_) std::transform(probe.bytes.begin(), probe.bytes.end(), probe.bytes.begin(), reversed);
  }

  TaskResult run() {
    if (most_t_ == 0 || probes_.size() < 3) return result_;
    read_data(0);
    // Rare fields and large spare areas only without metadata: they take long, and no such controller is known.
    const std::uint32_t most =
        unusual_ || sample_.spare_bytes() > kLargeSpare ? 0 : std::min(kMostMetadataBytes, sample_.spare_bytes() / 4);
    for (std::uint32_t metadata = 0; metadata <= most && !result_.found; ++metadata) {
      for (std::uint32_t code_at = metadata; code_at < sample_.spare_bytes() && !stopped(stop_) && !result_.found; ++code_at) {
        // Without metadata the data's values do not depend on where the code lies.
        if (metadata > 0 || code_at == 0) data_ = with_metadata(metadata, code_at);
        for (unsigned t = 1; t <= most_t_ && code_at + code_bytes(t) <= sample_.spare_bytes(); ++t) {
          if (!varying_[sample_.page_bytes() + code_at + code_bytes(t) - 1]) continue;
          ++result_.hypotheses;
          if (fits(t, code_at, data_) && lay_out(t, metadata, code_at)) break;
        }
      }
    }
    return result_;
  }

 private:
  using Sums = std::array<std::uint16_t, 2 * kMostSymbols>;  // values at the roots

  std::uint32_t code_bytes(unsigned t) const { return (2 * t * task_.m + 7) / 8; }

  std::uint32_t root(unsigned k) const { return (task_.first_root + k) % field_.order(); }
  // Horner's rule: one more symbol behind those in `sums`.
  void append(Sums& sums, std::uint32_t symbol, unsigned roots) const {
    for (unsigned k = 0; k < roots; ++k)
      sums[k] = static_cast<std::uint16_t>((sums[k] == 0 ? 0u : field_.power(field_.log(sums[k]) + root(k))) ^ symbol);
  }

  // Values of the data of a step at the roots, for each probe, and the bits left over for the next symbol.
  void read_data(std::uint32_t step) {
    data_only_.clear();
    for (const Probe& probe : probes_) {
      std::pair<Sums, Symbols> read{Sums{}, Symbols(task_.m)};
      for (const std::uint8_t byte : ByteSpan(probe.bytes).subspan(std::size_t{step} * task_.step_bytes, task_.step_bytes))
        read.second.add(byte, [&](std::uint32_t symbol) { append(read.first, symbol, 2 * most_t_); });
      data_only_.push_back(read);
    }
  }
  // The same with the metadata right before `code_at`.
  std::vector<Sums> with_metadata(std::uint32_t metadata, std::uint32_t code_at) const {
    std::vector<Sums> out;
    for (std::size_t p = 0; p < probes_.size(); ++p) {
      auto [sums, symbols] = data_only_[p];
      const auto use = [this, &sums = sums](std::uint32_t symbol) { append(sums, symbol, 2 * most_t_); };
      for (const std::uint8_t byte : ByteSpan(probes_[p].bytes).subspan(sample_.page_bytes() + code_at - metadata, metadata))
        symbols.add(byte, use);
      symbols.finish(use);
      out.push_back(sums);
    }
    return out;
  }

  // Zero discrepancies at the end, at most 2t.
  unsigned zeros(const Sums& syndromes, unsigned count) const {
    std::array<std::uint32_t, 2 * kMostSymbols + 2> locator{1}, previous{1};
    unsigned length = 0, gap = 1, zero = 0;
    std::uint32_t previous_discrepancy = 1;
    for (unsigned n = 0; n < count; ++n, ++gap) {
      std::uint32_t discrepancy = syndromes[n];
      for (unsigned i = 1; i <= length; ++i) discrepancy ^= field_.multiply(locator[i], syndromes[n - i]);
      if (discrepancy == 0) {
        ++zero;
        continue;
      }
      zero = 0;
      const std::uint32_t factor = field_.divide(discrepancy, previous_discrepancy);
      const auto before = locator;
      for (std::size_t i = gap; i <= count; ++i) locator[i] ^= field_.multiply(factor, previous[i - gap]);
      if (2 * length <= n) {
        length = n + 1 - length;
        previous = before;
        previous_discrepancy = discrepancy;
        gap = 0;
      }
    }
    return zero;
  }

  unsigned zeros_of(std::size_t probe, unsigned t, std::uint32_t code_at, Sums sums) const {
    Symbols symbols(task_.m);
    unsigned left = 2 * t;
    for (const std::uint8_t byte : ByteSpan(probes_[probe].bytes).subspan(sample_.page_bytes() + code_at, code_bytes(t)))
      symbols.add(byte, [&](std::uint32_t symbol) {
        if (left == 0) return;
        append(sums, symbol, 2 * t);
        --left;
      });
    return zeros(sums, 2 * t);
  }

  // Two zeros are the evidence of 2m bits, so one probe with four or three with two will do.
  bool fits(unsigned t, std::uint32_t code_at, const std::vector<Sums>& data) const {
    unsigned two = 0;
    for (std::size_t p = 0; p < probes_.size(); ++p) {
      const unsigned zero = zeros_of(p, t, code_at, data[p]);
      if (zero >= 4) return true;
      two += zero >= 2 ? 1 : 0;
    }
    return two >= 3;
  }

  bool lay_out(unsigned t, std::uint32_t metadata, std::uint32_t first_code) {
    ecc::Scheme scheme = bare_scheme(sample_, task_);
    scheme.t = t;
    for (std::uint32_t step = 0; step < steps_; ++step) {
      std::uint32_t at = first_code;
      unsigned most = 2;
      std::vector<Sums> data;
      read_data(step);
      for (std::uint32_t start = metadata; step > 0 && start + code_bytes(t) <= sample_.spare_bytes(); ++start) {
        if (metadata > 0 || data.empty()) data = with_metadata(metadata, start);
        unsigned score = 0;
        for (std::size_t p = 0; p < probes_.size(); ++p) score += zeros_of(p, t, start, data[p]) / 2;
        if (score <= most) continue;
        most = score;
        at = start;
      }
      if (step > 0 && most == 2) {
        read_data(0);
        return false;
      }
      ecc::Step laid{
          .data = {{step * task_.step_bytes, task_.step_bytes}}, .metadata = {}, .code = {{sample_.page_bytes() + at, code_bytes(t)}}};
      if (metadata > 0) laid.metadata = {{sample_.page_bytes() + at - metadata, metadata}};
      scheme.steps.push_back(std::move(laid));
    }
    read_data(0);
    result_.found = verify(sample_, std::move(scheme));
    return result_.found.has_value();
  }

  const Sample& sample_;
  const Task& task_;
  std::uint32_t steps_, code_room_;
  unsigned most_t_;
  const ecc::GaloisField& field_;
  std::vector<bool> varying_;
  const std::atomic<bool>* stop_;
  std::vector<Probe> probes_;
  std::vector<std::pair<Sums, Symbols>> data_only_;
  std::vector<Sums> data_;
  bool unusual_ = false;
  TaskResult result_;
};

}  // namespace

TaskResult search_reed_solomon(const Sample& sample, const Task& task, const std::atomic<bool>* stop) {
  const auto field = ecc::GaloisField::make(task.m, task.polynomial);
  if (!field || sample.page_bytes() % task.step_bytes != 0) return {};
  return ReedSolomonSearch(sample, task, *field, stop).run();
}

}  // namespace steadycell::search
