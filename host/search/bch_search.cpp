#include <algorithm>
#include <map>

#include "search/parts.h"
#include "search/syndromes.h"

namespace steadycell::search {
namespace {

using ecc::Range;
using ecc::Step;

constexpr unsigned kMostT = 72, kFewErrors = 3, kManyErrors = 16;
constexpr std::size_t kFirstProbes = 9, kMoreFirstProbes = 11;  // two pages three ways, and three or five pairs
constexpr std::uint32_t kMostMetadata = 32, kMostChunkGap = 64;
constexpr std::uint32_t kMostFirstMetadata = 16, kMostMetadataPlaces = 128;
constexpr std::size_t kMostRefined = 4;

// How the probes judge one place: by t, how many show a run of at least one and of at least two zeros.
class Votes {
 public:
  void add(Fit fit) {
    if (fit.zeros == 0) return;
    auto& [one, two] = by_t_[fit.t];
    ++one;
    if (fit.zeros >= 2) ++two;
    score_ += std::min(fit.zeros, 3u);
  }
  // The t that is believed, or 0: one run of two or more is rare by chance (2^-2m), so are several of one.
  unsigned t() const {
    unsigned best = 0, most = 0;
    for (const auto& [t, count] : by_t_)
      if ((count.second >= 1 || count.first >= 3) && count.first + count.second > most) {
        best = t;
        most = count.first + count.second;
      }
    return best;
  }
  unsigned score() const { return score_; }

 private:
  std::map<unsigned, std::pair<unsigned, unsigned>> by_t_;
  unsigned score_ = 0;
};

class BchSearch {
 public:
  BchSearch(const Sample& sample, const Task& task, const ecc::GaloisField& field, const std::atomic<bool>* stop)
      : sample_(sample),
        task_(task),
        steps_(sample.page_bytes() / task.step_bytes),
        code_room_(std::min<std::uint32_t>((task.m * kMostT + 7) / 8, sample.spare_bytes() / steps_)),
        field_(field),
        most_t_(std::min({kMostT, code_room_ * 8 / task.m, (field.order() - 1) / 2})),
        tables_(field, most_t_, task.bit_order),
        finder_(field, most_t_),
        varying_(varying_bytes(sample)),
        stop_(stop) {
    if (most_t_ == 0) return;
    const bool many =
        task.family == Family::metadata || task.family == Family::metadata_first || sample.spare_bytes() > 256;  // places, so fewer probes
    probes_ = make_probes(sample, {0, task.step_bytes}, many ? 2 : 3, many ? 10 : 16);
  }

  TaskResult run() {
    if (most_t_ == 0 || probes_.size() < 3) return result_;
    switch (task_.family) {
      case Family::spare: spare(); break;
      case Family::metadata: metadata(ecc::MetadataPlace::after_data); break;
      case Family::metadata_first: metadata(ecc::MetadataPlace::before_data); break;
      case Family::chunks: chunks(); break;
    }
    return result_;
  }

 private:
  std::uint32_t code_bytes(unsigned t) const { return (task_.m * t + 7) / 8; }

  // --- code in the spare area

  // Sums at the borders of the steps, then at every byte of the spare area.
  void make_sums() {
    std::vector<std::uint32_t> places;
    for (std::uint32_t step = 0; step <= steps_; ++step) places.push_back(step * task_.step_bytes);
    for (std::uint32_t at = 1; at <= sample_.spare_bytes(); ++at) places.push_back(sample_.page_bytes() + at);
    for (const Probe& probe : probes_) sums_.emplace_back(tables_, probe.bytes, places);
  }
  std::span<const std::uint16_t> before_step(std::size_t probe, std::uint32_t step) const { return sums_[probe].at(step); }
  std::span<const std::uint16_t> before_spare(std::size_t probe, std::uint32_t at) const { return sums_[probe].at(steps_ + at); }

  // Syndromes of the data of a step when byte `at` of the spare area follows it.
  Syndromes data_before(std::size_t probe, std::uint32_t step, std::int64_t at) const {
    const auto from = before_step(probe, step), to = before_step(probe, step + 1);
    Syndromes sum(to.begin(), to.end());
    for (std::size_t k = 0; k < sum.size(); ++k) sum[k] = static_cast<std::uint16_t>(sum[k] ^ from[k]);
    tables_.move(sum, std::int64_t{sample_.page_bytes()} + at - std::int64_t{step + 1} * task_.step_bytes);
    return sum;
  }
  // XORs the spare bytes [from, to) in place.
  void add_spare(Syndromes& sum, std::size_t probe, std::uint32_t from, std::uint32_t to) const {
    const auto a = before_spare(probe, from), b = before_spare(probe, to);
    for (std::size_t k = 0; k < sum.size(); ++k) sum[k] = static_cast<std::uint16_t>(sum[k] ^ a[k] ^ b[k]);
  }

  // Step 0 first: its metadata and code are [start, end) of the spare area for some start and end.
  void spare() {
    make_sums();
    const std::uint32_t spare = sample_.spare_bytes(), room = code_room_ + std::min(kMostMetadata, spare / 4);
    std::vector<Syndromes> base(probes_.size());
    Syndromes sum(most_t_);
    for (std::uint32_t start = 0; start < spare && !stopped(stop_); ++start) {
      for (std::size_t p = 0; p < probes_.size(); ++p) {
        base[p] = data_before(p, 0, start);
        const auto before = before_spare(p, start);
        for (std::size_t k = 0; k < most_t_; ++k) base[p][k] = static_cast<std::uint16_t>(base[p][k] ^ before[k]);
      }
      for (std::uint32_t end = start + 1; end <= std::min(spare, start + room); ++end) {
        const unsigned fits = std::min(most_t_, (end - start) * 8 / task_.m);
        if (fits == 0 || !varying_[sample_.page_bytes() + end - 1]) continue;  // a code's last byte is never constant
        Votes votes;
        for (std::size_t p = 0; p < probes_.size(); ++p) {
          const auto before = before_spare(p, end);
          for (std::size_t k = 0; k < fits; ++k) sum[k] = static_cast<std::uint16_t>(base[p][k] ^ before[k]);
          votes.add(finder_.find(std::span(sum).first(fits), fits));
        }
        ++result_.hypotheses;
        const unsigned t = votes.t();
        if (t == 0 || code_bytes(t) > end - start) continue;
        const std::uint32_t code_at = end - code_bytes(t);
        if (settle_on({.t = t, .metadata = {start, code_at - start}, .code_at = code_at})) return;
      }
    }
  }

  // --- metadata apart from the code

  void metadata(ecc::MetadataPlace place) {
    make_sums();
    const std::uint32_t spare = sample_.spare_bytes();
    const std::uint32_t most_start = std::min<std::uint32_t>(spare, spare > 128 ? 8 : 64);
    const std::vector<std::uint32_t> lengths =
        spare > 128 ? std::vector<std::uint32_t>{4, 8, 2, 6} : std::vector<std::uint32_t>{4, 8, 2, 6, 1, 3, 5, 7, 10, 12, 14, 16};
    for (const std::uint32_t length : lengths)
      for (std::uint32_t start = 0; start < most_start && start + length <= spare; ++start)
        for (std::uint32_t code_at = 0; code_at < spare && !stopped(stop_); ++code_at) {
          if (code_at < start + length && code_at + code_bytes(1) > start) continue;
          if (code_at == start + length && place == ecc::MetadataPlace::after_data) continue;  // that is Family::spare
          if (try_metadata({start, length}, code_at, place)) return;
        }
  }

  bool try_metadata(Range metadata, std::uint32_t code_at, ecc::MetadataPlace place) {
    std::vector<Syndromes> base;  // made when first asked for: where nothing varies nobody does
    Syndromes sum(most_t_);
    for (unsigned t = 1; t <= most_t_; ++t) {
      const std::uint32_t end = code_at + code_bytes(t), others = (steps_ - 1) * code_bytes(t);
      if (end > sample_.spare_bytes() || (code_at < metadata.offset && end > metadata.offset)) break;
      // The codes of the other steps all follow that of the first, or all precede it.
      if (end + others > sample_.spare_bytes() && code_at < others) continue;
      if (!varying_[sample_.page_bytes() + end - 1]) continue;
      for (std::size_t p = base.size(); p < probes_.size(); ++p) base.push_back(with_metadata(p, 0, metadata, code_at, place));
      Votes votes;
      // Chance shows a run at this t once in 2^m: where the first probes have none, the others seldom do. Few errors are another
      // matter: a code for them is cheap to test, and often near its t.
      const std::size_t first = t < kFewErrors ? probes_.size() : t < kManyErrors ? kMoreFirstProbes : kFirstProbes;
      for (std::size_t p = 0; p < probes_.size() && (p < first || votes.score() > 0); ++p) {
        const auto from = before_spare(p, code_at), to = before_spare(p, end);
        for (std::size_t k = 0; k < t; ++k) sum[k] = static_cast<std::uint16_t>(base[p][k] ^ from[k] ^ to[k]);
        const Fit fit = finder_.find(std::span(sum).first(t), t);
        if (fit.t == t) votes.add(fit);
      }
      ++result_.hypotheses;
      if (votes.t() == t && settle_on({.t = t, .metadata = metadata, .code_at = code_at, .place = place})) return true;
    }
    return false;
  }

  // Data and metadata of a step as they stand before its code at `code_at`.
  Syndromes with_metadata(std::size_t probe, std::uint32_t step, Range metadata, std::uint32_t code_at, ecc::MetadataPlace place) const {
    const bool first = place == ecc::MetadataPlace::before_data;
    Syndromes moved(most_t_, 0);
    if (metadata.length == 0) return data_before(probe, step, code_at);
    add_spare(moved, probe, metadata.offset, metadata.offset + metadata.length);
    tables_.move(moved, std::int64_t{code_at} - metadata.length - metadata.offset - (first ? std::int64_t{task_.step_bytes} : 0));
    const Syndromes data = data_before(probe, step, std::int64_t{code_at} - (first ? 0 : metadata.length));
    for (std::size_t k = 0; k < moved.size(); ++k) moved[k] = static_cast<std::uint16_t>(moved[k] ^ data[k]);
    return moved;
  }

  // --- the other steps

  // Where step 0 has its metadata and its code; offsets within the spare area.
  struct FirstStep {
    unsigned t = 0;
    Range metadata;
    std::uint32_t code_at = 0;
    ecc::MetadataPlace place = ecc::MetadataPlace::after_data;
  };
  // How the metadata of the other steps may lie.
  enum class Others : std::uint8_t { beside_code, packed, packed_backwards, shared, none };

  std::optional<Range> metadata_of(const FirstStep& first, Others others, std::uint32_t step, std::uint32_t code_at) const {
    std::int64_t offset = first.metadata.offset;
    if (step > 0) switch (others) {
        case Others::beside_code: offset += std::int64_t{code_at} - first.code_at; break;
        case Others::packed: offset += std::int64_t{step} * first.metadata.length; break;
        case Others::packed_backwards: offset -= std::int64_t{step} * first.metadata.length; break;
        case Others::shared: break;
        case Others::none: return Range{code_at, 0};
      }
    if (offset < 0 || offset + first.metadata.length > sample_.spare_bytes()) return std::nullopt;
    return Range{static_cast<std::uint32_t>(offset), first.metadata.length};
  }

  unsigned score(const FirstStep& first, std::uint32_t step, Range metadata, std::uint32_t code_at) {
    Votes votes;
    for (std::size_t p = 0; p < probes_.size(); ++p) {
      Syndromes sum = with_metadata(p, step, metadata, code_at, first.place);
      add_spare(sum, p, code_at, code_at + code_bytes(first.t));
      const Fit fit = finder_.find(std::span(sum).first(first.t), first.t);
      if (fit.t == first.t) votes.add(fit);
    }
    return votes.score();
  }

  Step step_at(const FirstStep& first, std::uint32_t step, Range metadata, std::uint32_t code_at) const {
    const std::uint32_t page = sample_.page_bytes();
    Step laid{.data = {{step * task_.step_bytes, task_.step_bytes}}, .metadata = {}, .code = {{page + code_at, code_bytes(first.t)}}};
    if (metadata.length > 0) laid.metadata = {{page + metadata.offset, metadata.length}};
    return laid;
  }

  // The scheme when the others lie so; nothing where some step shows no code at all.
  std::optional<ecc::Scheme> laid_out(const FirstStep& first, Others others) {
    const std::uint32_t code = code_bytes(first.t), spare = sample_.spare_bytes();
    ecc::Scheme scheme = bare_scheme(sample_, task_);
    scheme.t = first.t;
    scheme.metadata_place = first.metadata.length > 0 ? first.place : ecc::MetadataPlace::after_data;
    for (std::uint32_t step = 0; step < steps_; ++step) {
      std::uint32_t best = first.code_at;
      unsigned most = step == 0 ? ~0u : 1u;
      for (std::uint32_t at = 0; step > 0 && at + code <= spare; ++at) {
        const auto metadata = metadata_of(first, others, step, at);
        if (!metadata || (metadata->length > 0 && at < metadata->offset + metadata->length && metadata->offset < at + code)) continue;
        const unsigned reached = score(first, step, *metadata, at);
        if (reached <= most) continue;
        most = reached;
        best = at;
      }
      if (most == 1) return std::nullopt;
      scheme.steps.push_back(step_at(first, step, *metadata_of(first, others, step, best), best));
    }
    return scheme;
  }

  // Step 0 is known; where do the other steps have theirs? Whatever explains most; what explains as much leaves its place unproven.
  std::optional<Found> best_layout(const FirstStep& first) {
    // The first step alone: most fits that are none end here.
    if (steps_ > 1) {
      ecc::Scheme alone = bare_scheme(sample_, task_);
      alone.t = first.t;
      alone.metadata_place = first.place;
      alone.steps = {step_at(first, 0, first.metadata, first.code_at)};
      if (!verify(sample_, std::move(alone))) return std::nullopt;
    }
    static constexpr Others kAll[] = {Others::beside_code, Others::packed, Others::shared, Others::none, Others::packed_backwards};
    const std::size_t ways = first.metadata.length == 0 || steps_ == 1 ? 1 : std::size(kAll);
    std::vector<Found> found;
    for (const Others others : std::span(kAll).first(ways)) {
      auto scheme = laid_out(first, others);
      if (!scheme) continue;
      if (auto borne_out = verify(sample_, std::move(*scheme))) found.push_back(std::move(*borne_out));
    }
    return best_of(std::move(found));
  }

  // A first fit without metadata, or with some that never change, may leave out what only some pages show.
  std::optional<Found> refined(const FirstStep& first, Found found) {
    const bool nearly_all = found.steps_explained * 50 >= found.pages_tried * steps_ * 49;
    if (nearly_all || (first.metadata.length > 0 && found.unproven.empty())) return found;
    std::vector<std::pair<unsigned, FirstStep>> others;
    const unsigned least = score(first, 0, first.metadata, first.code_at);
    const std::uint32_t most_length = first.metadata.length > 0 ? first.metadata.length : kMostFirstMetadata;
    for (std::uint32_t length = std::max(1u, first.metadata.length); length <= most_length; ++length)
      for (std::uint32_t start = 0; start + length <= std::min(sample_.spare_bytes(), kMostMetadataPlaces); ++start) {
        if (start < first.code_at + code_bytes(first.t) && first.code_at < start + length) continue;
        FirstStep other = first;
        other.metadata = {start, length};
        if (first.metadata.length == 0) other.place = ecc::MetadataPlace::before_data;
        ++result_.hypotheses;
        if (const unsigned reached = score(other, 0, other.metadata, other.code_at); reached > least) others.emplace_back(reached, other);
      }
    std::stable_sort(others.begin(), others.end(), [](const auto& a, const auto& b) { return a.first > b.first; });
    std::vector<Found> all{std::move(found)};
    for (std::size_t i = 0; i < std::min(others.size(), kMostRefined); ++i)
      if (auto better = best_layout(others[i].second)) all.push_back(std::move(*better));
    return best_of(std::move(all));
  }

  // Constant bytes in front of all others only add to the mask: a scheme without them says as much.
  std::optional<Found> without_idle_front(std::optional<Found> found) {
    while (found && found->scheme.metadata_place == ecc::MetadataPlace::before_data) {
      ecc::Scheme scheme = found->scheme;
      for (std::size_t step = 0; step < scheme.steps.size(); ++step) {
        std::vector<Range>& metadata = scheme.steps[step].metadata;
        if (metadata.empty()) continue;
        const std::uint32_t front = metadata[0].offset;
        const bool idle = std::any_of(found->unproven.begin(), found->unproven.end(), [&](const Unproven& entry) {
          return entry.why == Unproven::Why::constant && front >= entry.bytes.offset && front < entry.bytes.offset + entry.bytes.length &&
                 std::find(entry.steps.begin(), entry.steps.end(), step) != entry.steps.end();
        });
        if (!idle) return found;
        metadata[0] = {front + 1, metadata[0].length - 1};
        if (metadata[0].length == 0) metadata.clear();
      }
      if (std::all_of(scheme.steps.begin(), scheme.steps.end(), [](const Step& step) { return step.metadata.empty(); }))
        scheme.metadata_place = ecc::MetadataPlace::after_data;
      auto shorter = verify(sample_, std::move(scheme));
      if (!shorter || shorter->steps_explained < found->steps_explained) return found;
      // What other layouts leave open they leave open still.
      for (Unproven entry : found->unproven) {
        if (entry.why == Unproven::Why::constant) continue;
        entry.bytes = {entry.bytes.offset + 1, entry.bytes.length - 1};
        if (entry.bytes.length > 0) shorter->unproven.push_back(std::move(entry));
      }
      found = std::move(shorter);
    }
    return found;
  }

  bool settle_on(const FirstStep& first) {
    auto found = best_layout(first);
    if (!found) return false;
    result_.found = without_idle_front(refined(first, std::move(*found)));
    return true;
  }

  // --- chunk after chunk

  // Where step 0 may end: one sum for every byte behind its data.
  void chunks() {
    const std::uint32_t first = task_.step_bytes + 1;
    const std::uint32_t last =
        std::min({sample_.raw_page_bytes(), task_.step_bytes + code_room_ + kMostMetadata, (field_.order() - 1) / 8});
    std::vector<std::uint32_t> places;
    for (std::uint32_t at = first; at <= last; ++at) places.push_back(at);
    for (const Probe& probe : probes_) sums_.emplace_back(tables_, probe.bytes, places);
    for (std::uint32_t end = first; end <= last && !stopped(stop_); ++end) {
      const unsigned fits = std::min(most_t_, (end - task_.step_bytes) * 8 / task_.m);
      if (fits == 0 || !varying_[end - 1]) continue;
      Votes votes;
      for (std::size_t p = 0; p < probes_.size(); ++p) votes.add(finder_.find(sums_[p].at(end - first), fits));
      ++result_.hypotheses;
      const unsigned t = votes.t();
      if (t != 0 && task_.step_bytes + code_bytes(t) <= end && lay_out_chunks(t, end)) return;
    }
  }

  // Later chunks follow at once or after a few bytes; the bad-block mark at the start of the spare area may interrupt one.
  bool lay_out_chunks(unsigned t, std::uint32_t chunk) {
    ecc::Scheme scheme = bare_scheme(sample_, task_);
    scheme.t = t;
    const std::uint32_t code = code_bytes(t), metadata = chunk - task_.step_bytes - code;
    std::uint32_t from = 0;
    for (std::uint32_t step = 0; step < steps_; ++step) {
      std::uint32_t start = from;
      Range gap{sample_.page_bytes(), 0};
      if (step > 0 && !find_chunk(t, chunk, from, start, gap)) return false;
      Step laid{.data = ranges_around(start, task_.step_bytes, gap),
                .metadata = {},
                .code = ranges_around(start + task_.step_bytes + metadata, code, gap)};
      if (metadata > 0) laid.metadata = ranges_around(start + task_.step_bytes, metadata, gap);
      scheme.steps.push_back(std::move(laid));
      from = start + chunk + (start < gap.offset && start + chunk > gap.offset ? gap.length : 0);
    }
    result_.found = verify(sample_, std::move(scheme));
    return result_.found.has_value();
  }

  bool find_chunk(unsigned t, std::uint32_t chunk, std::uint32_t from, std::uint32_t& start, Range& gap) {
    unsigned most = 1;
    for (std::uint32_t at = from; at <= from + kMostChunkGap; ++at)
      for (std::uint32_t skipped : {0u, 1u, 2u, 3u, 4u, 6u, 8u, 16u}) {
        const Range tried{sample_.page_bytes(), skipped};
        const bool crosses = at < tried.offset && at + chunk > tried.offset;
        if ((skipped > 0 && !crosses) || at + chunk + skipped > sample_.raw_page_bytes()) continue;
        Votes votes;
        for (std::size_t p = 0; p < std::min<std::size_t>(probes_.size(), 16); ++p) {
          Syndromes sum(most_t_, 0);
          std::int64_t place = 0;
          for (const Range& range : ranges_around(at, chunk, tried)) {
            tables_.add(std::span(sum).first(t), ByteSpan(probes_[probes_.size() - 1 - p].bytes).subspan(range.offset, range.length),
                        place);
            place += range.length;
          }
          const Fit fit = finder_.find(std::span(sum).first(t), t);
          if (fit.t == t) votes.add(fit);
        }
        ++result_.hypotheses;
        if (votes.score() <= most) continue;
        most = votes.score();
        start = at;
        gap = tried;
      }
    return most > 1;
  }

  const Sample& sample_;
  const Task& task_;
  std::uint32_t steps_, code_room_;
  const ecc::GaloisField& field_;
  unsigned most_t_;
  SyndromeTables tables_;
  FitFinder finder_;
  std::vector<bool> varying_;
  const std::atomic<bool>* stop_;
  std::vector<Probe> probes_;
  std::vector<PrefixSyndromes> sums_;
  TaskResult result_;
};

}  // namespace

TaskResult search_bch(const Sample& sample, const Task& task, const std::atomic<bool>* stop) {
  const auto field = ecc::GaloisField::make(task.m, task.polynomial);
  if (!field || sample.page_bytes() % task.step_bytes != 0) return {};
  return BchSearch(sample, task, *field, stop).run();
}

}  // namespace steadycell::search
