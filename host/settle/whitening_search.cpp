#include "settle/whitening_search.h"

#include <algorithm>
#include <bit>
#include <functional>
#include <numeric>

#include "base/bits.h"

namespace steadycell::settle {
namespace {

constexpr std::size_t kLeastPages = 64, kMostPages = 256;  // of a sequence
constexpr std::uint64_t kGroupBytes = std::uint64_t{64} << 20, kMostBlocksOfGroup = 2048;
constexpr std::uint32_t kLeastSequencesForPlaces = 8, kLeastPagesForPlaces = 64;

constexpr std::uint32_t kSteppedPages = 16;  // of a block: compared with those of the block before

constexpr std::uint64_t kMostChanged = 10;  // one in so many bytes of a sequence

std::uint64_t differing_bytes(ByteSpan a, ByteSpan b) {
  return std::inner_product(a.begin(), a.end(), b.begin(), std::uint64_t{0}, std::plus<>(), std::not_equal_to<>());
}

// Pages of one sequence; a quarter is for trying, chosen out of step with whatever comes back in the contents.
struct Gathered {
  std::vector<Bytes> finding, trying;
  std::size_t pages() const { return finding.size() + trying.size(); }
  void take(ByteSpan page) {
    (pages() * 2654435761u >> 16 & 3 ? finding : trying).emplace_back(page.begin(), page.end());
  }
};

// A page whose spare area is compared with that of its neighbour.
struct SteppedPage {
  image::PlacedPage at;
  Bytes spare;
};

class SequenceSearch {
 public:
  SequenceSearch(PageSource& source, const assess::Period& period,
                 const std::optional<assess::Register>& shift_register, const Hooks& hooks)
      : source_(source),
        geometry_(source.geometry()),
        period_(period),
        register_(shift_register),
        hooks_(hooks),
        places_(geometry_.raw_page_bytes(), geometry_.spare_bytes),
        sequences_(period.sequences()) {
    const std::uint64_t fit = kGroupBytes / geometry_.raw_page_bytes();
    pages_each_ = std::clamp<std::uint64_t>(fit / period.sequences(), kLeastPages, kMostPages);
    group_ = static_cast<std::uint32_t>(std::max<std::uint64_t>(1, fit / pages_each_));
    last_.resize(period_.pages > 1 ? 1 : std::min(geometry_.pages_per_block, kSteppedPages));
  }

  Result<assess::Whitening> run() {
    progress_.total = (period_.sequences() + group_ - 1) / group_;
    for (std::uint32_t first = 0; first < period_.sequences(); first += group_, ++progress_.done) {
      const std::uint32_t count = std::min(group_, period_.sequences() - first);
      auto pages = gather(first, count);
      if (!pages) return failure(pages.error());
      if (first == 0) learn(*pages);
      for (std::uint32_t i = 0; i < count; ++i) settle_one((*pages)[i], sequences_[first + i]);
      hooks_.tell(progress_);
    }
    return finish();
  }

 private:
  bool may_hold(std::uint64_t index, std::uint32_t first, std::uint32_t count) const {
    if (period_.step > 0) return true;
    const std::uint32_t begin = period_.sequence_of(geometry_.block_of(source_.first_page(index).page).index, 0);
    return begin < first + count && first < begin + period_.pages;
  }

  // Runs of blocks that hold every sequence, in an order that soon has been everywhere.
  Result<std::vector<Gathered>> gather(std::uint32_t first, std::uint32_t count) {
    std::vector<Gathered> gathered(count);
    std::size_t full = 0;
    const std::uint64_t length = period_.step > 0 ? 1 : period_.blocks,
                        runs = (source_.blocks() + length - 1) / length;
    std::uint64_t stride =
        std::max<std::uint64_t>(1, static_cast<std::uint64_t>(static_cast<double>(runs) * 0.618));
    while (std::gcd(stride, runs) != 1) ++stride;
    std::uint64_t read = 0;
    const auto take = [&](const SourcePage& page) -> Result<void> {
      const std::uint32_t in_block = page.at.page.index % geometry_.pages_per_block;
      const std::uint32_t sequence = period_.sequence_of(geometry_.block_of(page.at.page).index, in_block);
      if (first == 0) note_step(page);
      if (!page.read || sequence < first || sequence - first >= count || assess::looks_erased(page.bytes))
        return {};
      Gathered& into = gathered[sequence - first];
      if (into.pages() == pages_each_) return {};
      into.take(page.bytes);
      if (into.pages() == pages_each_) ++full;
      return {};
    };
    for (std::uint64_t k = 0; k < runs && full < count && read < kMostBlocksOfGroup; ++k)
      for (std::uint64_t index = k * stride % runs * length, end = std::min(index + length, source_.blocks());
           index < end && full < count; ++index) {
        if (!may_hold(index, first, count)) continue;
        if (const auto on = hooks_.go_on(progress_.stage); !on) return failure(on.error());
        if (const auto done = source_.read_block(index, take); !done) return failure(done.error());
        ++read;
        progress_.bytes += geometry_.block_raw_bytes();
        hooks_.tell(progress_);
      }
    return gathered;
  }

  // The neighbour of a page is the one before; where all pages of a block share a sequence, that of the block
  // before.
  void note_step(const SourcePage& page) {
    const std::uint32_t in_block = page.at.page.index % geometry_.pages_per_block;
    const std::size_t slot = period_.pages > 1 ? 0 : in_block;
    if (slot >= last_.size() || !page.read || assess::looks_erased(page.bytes) ||
        assess::looks_plain(data_of(page.bytes)))
      return;
    SteppedPage& last = last_[slot];
    const ByteSpan spare = page.bytes.subspan(geometry_.page_bytes);
    const std::uint32_t apart = period_.pages > 1 ? 1 : geometry_.pages_per_block;
    if (last.spare.size() == spare.size() && last.at.place == page.at.place &&
        last.at.page.index + apart == page.at.page.index)
      places_.add_neighbours(last.spare, spare);
    last.at = page.at;
    last.spare.assign(spare.begin(), spare.end());
  }

  Bytes estimate(const std::vector<Bytes>& pages, const std::vector<Bytes>& more = {}) const {
    Bytes sequence(geometry_.raw_page_bytes());
    std::vector<ByteSpan> spans(pages.begin(), pages.end());
    spans.insert(spans.end(), more.begin(), more.end());
    if (spans.empty()) return sequence;
    estimator_.estimate(spans, sequence);
    assess::SequenceEstimator::refine(spans, sequence);
    return sequence;
  }

  ByteSpan data_of(ByteSpan raw_page) const { return raw_page.first(geometry_.page_bytes); }

  // What byte values contents here have, from the first guess at some of the sequences.
  void learn(const std::vector<Gathered>& pages) {
    constexpr std::size_t kMostLearning = 32;
    assess::ByteCounts contents;
    for (std::size_t i = 0; i < std::min(pages.size(), kMostLearning); ++i) {
      const Bytes sequence = estimate(pages[i].finding);
      for (Bytes page : pages[i].finding) {
        xor_into(page, sequence);
        contents.add(data_of(page));
      }
    }
    if (contents.total() > 0) estimator_.learn(contents);
  }

  // A register explains the sequence when it makes three bits in four of it; then its own output takes the place
  // of the estimate.
  bool clean(Bytes& sequence) const {
    Bytes followed(geometry_.page_bytes);
    assess::Register whole = *register_;
    if (assess::follow_page(whole, data_of(sequence), followed) * 10 < followed.size() * 9) return false;
    std::uint64_t wrong = 0;
    for (std::size_t i = 0; i < followed.size(); ++i)
      wrong += static_cast<unsigned>(std::popcount(static_cast<std::uint8_t>(followed[i] ^ sequence[i])));
    if (wrong * 4 > followed.size() * 8) return false;
    if (std::all_of(followed.begin(), followed.end(), [](std::uint8_t byte) { return byte == 0; })) return false;
    std::copy(followed.begin(), followed.end(), sequence.begin());
    return true;
  }

  void settle_one(const Gathered& pages, Bytes& kept) {
    if (pages.finding.empty() || pages.trying.empty()) return;
    Bytes sequence = estimate(pages.finding);
    const bool cleaned = register_ && clean(sequence);
    assess::Gain gain;
    for (const Bytes& page : pages.trying) {
      Bytes contents = page;
      xor_into(contents, sequence);
      const std::uint64_t before = gain.plainer();
      gain.add(data_of(page), data_of(contents));
      if (gain.plainer() > before && assess::look_of(data_of(contents)) != assess::Look::constant)
        places_.add(page, contents);
    }
    if (gain.plainer() == 0) return;
    // Once proven, the pages for trying help as well. What they change was a guess, and so the rest may be where they change much.
    if (!cleaned) {
      Bytes by_all = estimate(pages.finding, pages.trying);
      const std::uint64_t changed = differing_bytes(data_of(by_all), data_of(sequence));
      if (changed * kMostChanged > geometry_.page_bytes) return;
      out_.uncertain_bytes += changed;
      sequence = std::move(by_all);
    }
    out_.verified.add(gain);
    out_.found_on += pages.finding.size();
    ++out_.known_sequences;
    if (cleaned) ++cleaned_;
    kept = std::move(sequence);
  }

  // Data bytes, unless the pages that were tried tell it byte by byte.
  std::vector<bool> covered() const {
    std::vector<bool> all(geometry_.raw_page_bytes());
    std::fill_n(all.begin(), geometry_.page_bytes, true);
    if (period_.sequences() < kLeastSequencesForPlaces || places_.pages() < kLeastPagesForPlaces) return all;
    std::vector<bool> seen = places_.covered();
    if (std::count(seen.begin(), seen.begin() + geometry_.page_bytes, true) * 5 <
        std::int64_t{geometry_.page_bytes} * 4)
      return all;
    return seen;
  }

  assess::Whitening finish() {
    std::vector<Bytes> data = sequences_;
    for (Bytes& sequence : data) sequence.resize(sequence.empty() ? 0 : geometry_.page_bytes);
    out_.repeats_bytes = assess::repeat_of(data);
    if (register_ && cleaned_ * 2 > out_.known_sequences) out_.shift_register = register_;
    const std::vector<bool> places = covered();
    out_.key = {.page_bytes = geometry_.page_bytes,
                .spare_bytes = geometry_.spare_bytes,
                .pages_per_block = geometry_.pages_per_block,
                .bytes = assess::ranges_of(places),
                .whitening = {}};
    assess::SequenceTable table{.period = period_, .sequences = {}};
    for (const Bytes& sequence : sequences_) {
      Bytes kept;
      for (std::size_t at = 0; at < sequence.size(); ++at)
        if (places[at]) kept.push_back(sequence[at]);
      table.sequences.push_back(std::move(kept));
    }
    out_.key.whitening = std::move(table);
    return std::move(out_);
  }

  PageSource& source_;
  Geometry geometry_;
  assess::Period period_;
  std::optional<assess::Register> register_;
  const Hooks& hooks_;
  Progress progress_{.stage = "looking for the whitening", .unit = "parts"};
  assess::SequenceEstimator estimator_;
  assess::PlaceCounts places_;
  std::vector<SteppedPage> last_;
  std::vector<Bytes> sequences_;  // of the whole page, spare area included; empty: not known
  std::size_t pages_each_ = kLeastPages;
  std::uint32_t group_ = 1;  // sequences at a time
  std::uint32_t cleaned_ = 0;
  assess::Whitening out_;
};

}  // namespace

std::optional<assess::Whitening> find_register_whitening(const Geometry& geometry,
                                                         std::span<const KeptPage> pages) {
  std::vector<Bytes> finding;
  const auto data_of = [&](const KeptPage& page) { return ByteSpan(page.bytes).first(geometry.page_bytes); };
  for (std::size_t i = 0; i < pages.size(); i += 2)
    finding.emplace_back(data_of(pages[i]).begin(), data_of(pages[i]).end());
  const auto found = assess::find_register(finding);
  if (!found) return std::nullopt;
  assess::Whitening out;
  out.key = {.page_bytes = geometry.page_bytes,
             .spare_bytes = geometry.spare_bytes,
             .pages_per_block = geometry.pages_per_block,
             .bytes = {{0, geometry.page_bytes}},
             .whitening = *found};
  out.shift_register = found;
  out.found_on = finding.size();
  Bytes sequence(geometry.page_bytes);
  for (std::size_t i = 1; i < pages.size(); i += 2) {
    assess::follow_page(*found, data_of(pages[i]), sequence);
    xor_into(sequence, data_of(pages[i]));
    out.verified.add(data_of(pages[i]), sequence);
  }
  return out;
}

Result<assess::Whitening> find_sequences(PageSource& source, const assess::Period& period,
                                         const std::optional<assess::Register>& shift_register,
                                         const Hooks& hooks) {
  return SequenceSearch(source, period, shift_register, hooks).run();
}

}  // namespace steadycell::settle
