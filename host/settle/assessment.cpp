#include "settle/assessment.h"

#include <algorithm>
#include <array>

#include "settle/whitening_search.h"

namespace steadycell::settle {
namespace {

constexpr std::size_t kMostKept = 384, kMostKeptBytes = std::size_t{24} << 20;
constexpr std::uint64_t kComparedBlocks = 512, kComparedPages = 16384;
constexpr std::uint32_t kPagesOfThinBlock = 16, kMostBlockPeriod = 256;
constexpr std::size_t kComplexityBytes = 128;

// Where on the chip written pages lie, coarsely: memory does not grow with the chip.
using Occupancy = std::array<std::uint64_t, 1024>;

class Assessor {
 public:
  Assessor(PageSource& source, const Hooks& hooks)
      : source_(source), geometry_(source.geometry()), hooks_(hooks) {}

  Result<Assessment> run() {
    if (const auto done = survey(); !done) return failure(done.error());
    if (const auto done = compare(); !done) return failure(done.error());
    if (const auto done = find_whitening(); !done) return failure(done.error());
    measure_complexity();
    auto judged = assess::judge({.pages = out_.pages,
                                 .cancellation = out_.cancellation,
                                 .whitening_borne_out = out_.whitening.has_value()});
    out_.content = judged.content;
    out_.because = std::move(judged.because);
    return std::move(out_);
  }

 private:
  ByteSpan data_of(ByteSpan raw_page) const { return raw_page.first(geometry_.page_bytes); }
  std::size_t bin_of(std::uint64_t block) const { return block * occupancy_.size() / source_.blocks(); }

  Result<void> survey() {
    Progress progress{.stage = "assessing", .total = source_.blocks()};
    const std::size_t most =
        std::min(kMostKept, std::max<std::size_t>(16, kMostKeptBytes / geometry_.raw_page_bytes()));
    for (; progress.done < progress.total; ++progress.done) {
      if (auto on = hooks_.go_on(progress.stage); !on) return on;
      // Kept pages come from everywhere, and from changing places of their blocks.
      const std::size_t due = most * (progress.done + 1) / progress.total;
      const std::uint64_t from = progress.done * 37 % geometry_.pages_per_block;
      const auto visit = [&](const SourcePage& page) -> Result<void> {
        if (!page.read) {
          ++out_.pages.unread;
          return {};
        }
        const assess::Look look =
            assess::looks_erased(page.bytes) ? assess::Look::erased : assess::look_of(data_of(page.bytes));
        ++out_.pages.by_look[static_cast<std::size_t>(look)];
        if (look == assess::Look::erased) return {};
        out_.written.add(data_of(page.bytes));
        ++occupancy_[bin_of(progress.done)];
        if (kept_.size() < due && page.index % geometry_.pages_per_block >= from)
          kept_.push_back({page.at, Bytes(page.bytes.begin(), page.bytes.end())});
        return {};
      };
      if (auto read = source_.read_block(progress.done, visit); !read) return read;
      progress.bytes += geometry_.block_raw_bytes();
      hooks_.tell(progress);
    }
    return {};
  }

  // The run of blocks with the most written pages.
  std::uint64_t busiest(std::uint64_t length) const {
    std::uint64_t best = 0, most = 0;
    for (std::size_t bin = 0; bin < occupancy_.size(); ++bin) {
      const std::uint64_t first = std::min((bin * source_.blocks() + occupancy_.size() - 1) / occupancy_.size(),
                                           source_.blocks() - length);
      std::uint64_t sum = 0;
      for (std::size_t other = bin_of(first); other <= bin_of(first + length - 1); ++other)
        sum += occupancy_[other];
      if (sum > most) {
        most = sum;
        best = first;
      }
    }
    return best;
  }

  Result<void> compare() {
    const std::uint64_t length = std::min(source_.blocks(), kComparedBlocks), first = busiest(length);
    const std::uint64_t dense = std::clamp<std::uint64_t>(kComparedPages / geometry_.pages_per_block, 4, 64);
    const std::uint64_t dense_every = std::max<std::uint64_t>(1, length / dense);
    const std::uint32_t thin_every = std::max(1u, geometry_.pages_per_block / kPagesOfThinBlock);
    // Pages that are not whitened, such as a controller's own, have something in common at any distance.
    const std::uint64_t plain = out_.pages.of(assess::Look::plain) + out_.pages.of(assess::Look::constant);
    const bool leave_plain = plain * 4 <= out_.pages.written() * 3;
    assess::CancellationMeter meter(geometry_.pages_per_block, static_cast<std::uint32_t>(std::min<std::uint64_t>(
                                                                   length - 1, kMostBlockPeriod)));
    Progress progress{.stage = "comparing pages", .total = length};
    for (; progress.done < length; ++progress.done) {
      if (auto on = hooks_.go_on(progress.stage); !on) return on;
      const bool thin = progress.done % dense_every != 0;
      const auto visit = [&](const SourcePage& page) -> Result<void> {
        const std::uint32_t in_block = page.at.page.index % geometry_.pages_per_block;
        if (!page.read || (thin && in_block % thin_every != 0) || assess::looks_erased(page.bytes)) return {};
        if (leave_plain) {
          const assess::Look look = assess::look_of(data_of(page.bytes));
          if (look == assess::Look::plain || look == assess::Look::constant) return {};
        }
        // LUNs far apart, so that their blocks are not neighbours.
        const std::uint64_t lun = std::uint64_t{page.at.place.target} << 8 | page.at.place.lun;
        meter.add(lun << 32 | geometry_.block_of(page.at.page).index, in_block, data_of(page.bytes));
        return {};
      };
      if (auto read = source_.read_block(first + progress.done, visit); !read) return read;
      progress.bytes += geometry_.block_raw_bytes();
      hooks_.tell(progress);
    }
    out_.cancellation = meter.measure(hooks_.stop);
    return hooks_.go_on(progress.stage);
  }

  Result<void> find_whitening() {
    const auto by_register = find_register_whitening(geometry_, kept_);
    std::optional<assess::Whitening> by_table;
    if (const auto& period = out_.cancellation.period) {
      if (std::uint64_t{period->sequences()} * geometry_.raw_page_bytes() > assess::kMostSequenceBytes) {
        out_.too_many_sequences = period->sequences();
      } else {
        auto found =
            find_sequences(source_, *period, by_register ? by_register->shift_register : std::nullopt, hooks_);
        if (!found) return failure(found.error());
        if (assess::is_borne_out(*found)) by_table = std::move(*found);
      }
    }
    // A table also helps pages on which no register can be caught, as far as it is whole.
    const bool table_is_whole =
        by_table && by_table->known_sequences * 10 >= out_.cancellation.period->sequences() * 9;
    if (by_register && assess::is_borne_out(*by_register) && !table_is_whole)
      out_.whitening = by_register;
    else
      out_.whitening = std::move(by_table);
    return {};
  }

  static ComplexityFigures figures(std::vector<unsigned> lengths) {
    if (lengths.empty()) return {};
    std::sort(lengths.begin(), lengths.end());
    return {.measured = lengths.size(), .lowest = lengths.front(), .median = lengths[lengths.size() / 2]};
  }

  void measure_complexity() {
    const auto order = out_.whitening && out_.whitening->shift_register ? out_.whitening->shift_register->order
                                                                        : assess::BitOrder::msb_first;
    std::optional<assess::Unwhitener> unwhitener;
    if (out_.whitening) unwhitener.emplace(out_.whitening->key);
    std::vector<unsigned> constant, pages, xors;
    for (std::size_t i = 0; i < kept_.size(); ++i) {
      Bytes head(kept_[i].bytes.begin(), kept_[i].bytes.begin() + kComplexityBytes);
      pages.push_back(assess::linear_complexity(head, order).length);
      Bytes contents = kept_[i].bytes;
      if (unwhitener)
        unwhitener->apply(contents, geometry_.block_of(kept_[i].at.page).index,
                          kept_[i].at.page.index % geometry_.pages_per_block);
      if (assess::look_of(data_of(contents)) == assess::Look::constant) constant.push_back(pages.back());
      if (i == 0) continue;
      for (std::size_t k = 0; k < head.size(); ++k)
        head[k] = static_cast<std::uint8_t>(head[k] ^ kept_[i - 1].bytes[k]);
      if (count_ones(head) == 0) continue;
      xors.push_back(assess::linear_complexity(head, order).length);
    }
    out_.of_constant = figures(std::move(constant));
    out_.of_pages = figures(std::move(pages));
    out_.of_xors = figures(std::move(xors));
  }

  PageSource& source_;
  Geometry geometry_;
  const Hooks& hooks_;
  Occupancy occupancy_{};
  std::vector<KeptPage> kept_;
  Assessment out_;
};

}  // namespace

Result<Assessment> assess_content(PageSource& source, const Hooks& hooks) {
  return Assessor(source, hooks).run();
}

}  // namespace steadycell::settle
