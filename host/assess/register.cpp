#include "assess/register.h"

#include <algorithm>
#include <bit>
#include <map>

#include "assess/byte_counts.h"

namespace steadycell::assess {
namespace {

constexpr std::size_t kWindow = 32, kWindowsOfPage = 128, kLeastPages = 4, kRestartPages = 64;
constexpr unsigned kLeastStages = 5;

bool bit_of(ByteSpan bytes, std::size_t at, BitOrder order) {
  const unsigned within = at % 8;
  return (bytes[at / 8] >> (order == BitOrder::msb_first ? 7 - within : within) & 1) != 0;
}

void set_bit(MutableByteSpan bytes, std::size_t at, BitOrder order) {
  const unsigned within = at % 8;
  bytes[at / 8] =
      static_cast<std::uint8_t>(bytes[at / 8] | 1u << (order == BitOrder::msb_first ? 7 - within : within));
}

// Taps on a state that holds the last L bits, the newest lowest: bit i - 1 for s[n-i].
std::uint64_t taps_of(const Feedback& feedback) {
  std::uint64_t taps = 0;
  const unsigned length = feedback.length();
  for (unsigned i = 1; i <= length; ++i) taps |= (feedback.polynomial >> (length - i) & 1) << (i - 1);
  return taps;
}

struct Run {
  std::size_t end = 0, length = 0;  // of bits that follow the recurrence, or break it all along: content 0, or 1
  bool inverted = false;
};

// In the bits first, first + stride, .. A stride that is a power of two changes neither recurrence nor polynomial:
// squaring only permutes the roots of an irreducible one.
Run longest_run(const Register& whitening, ByteSpan piece, std::size_t first, std::size_t stride) {
  const unsigned length = whitening.feedback.length();
  const std::uint64_t taps = taps_of(whitening.feedback), keep = (std::uint64_t{1} << length) - 1;
  Run best, now;
  std::uint64_t state = 0;
  for (std::size_t i = 0, at = first; at < piece.size() * 8; ++i, at += stride) {
    const bool bit = bit_of(piece, at, whitening.order);
    if (i >= length) {
      const bool broken = ((std::popcount(state & taps) & 1) != 0) != bit;
      if (broken != now.inverted) now = {.end = i, .length = 0, .inverted = broken};
      ++now.length;
      now.end = i + 1;
      if (now.length > best.length) best = now;
    }
    state = (state << 1 | (bit ? 1u : 0u)) & keep;
  }
  return best;
}

// Where a register is caught: its output at bits at, at + 1, .., the newest lowest.
struct Caught {
  std::size_t at = 0;
  std::uint64_t state = 0;
};

// Output bits at, at + stride, .. of a run, the newest lowest.
std::uint64_t output_of(const Register& whitening, ByteSpan piece, std::size_t at, std::size_t stride,
                        bool inverted) {
  std::uint64_t out = 0;
  for (unsigned i = 0; i < whitening.feedback.length(); ++i)
    out = out << 1 | (bit_of(piece, at + i * stride, whitening.order) != inverted ? 1u : 0u);
  return out;
}

// The L outputs in a row from those that lie `stride` apart, the first `offset` bits behind: each is a known sum
// of them, so this solves L equations. Nothing when they do not determine the state, which is so for no
// irreducible polynomial.
std::optional<std::uint64_t> state_from(const Register& whitening, std::uint64_t outputs, std::size_t offset,
                                        std::size_t stride) {
  const unsigned length = whitening.feedback.length();
  const std::uint64_t taps = taps_of(whitening.feedback);
  // recent[i]: which of the state's bits output (now - i) is made of; all outputs follow the same recurrence.
  std::vector<std::uint64_t> recent(length);
  for (unsigned i = 0; i < length; ++i) recent[i] = std::uint64_t{1} << i;
  const auto next = [&] {
    std::uint64_t form = 0;
    for (unsigned i = 0; i < length; ++i)
      if (taps >> i & 1) form ^= recent[i];
    recent.insert(recent.begin(), form);
    recent.pop_back();
  };
  std::vector<std::pair<std::uint64_t, bool>> rows;  // form, value
  std::size_t oldest = 0;                            // which output recent.back() is
  for (unsigned i = 0; i < length; ++i) {
    for (; oldest < offset + i * stride; ++oldest) next();
    rows.emplace_back(recent.back(), (outputs >> (length - 1 - i) & 1) != 0);
  }
  for (unsigned bit = 0; bit < length; ++bit) {
    const auto pivot =
        std::find_if(rows.begin() + bit, rows.end(), [&](const auto& row) { return row.first >> bit & 1; });
    if (pivot == rows.end()) return std::nullopt;
    std::swap(rows[bit], *pivot);
    for (unsigned other = 0; other < length; ++other)
      if (other != bit && (rows[other].first >> bit & 1)) {
        rows[other].first ^= rows[bit].first;
        rows[other].second ^= rows[bit].second;
      }
  }
  std::uint64_t state = 0;
  for (unsigned bit = 0; bit < length; ++bit) state |= std::uint64_t{rows[bit].second ? 1u : 0u} << bit;
  return state;
}

std::optional<Caught> catch_register(const Register& whitening, ByteSpan piece) {
  const unsigned length = whitening.feedback.length();
  const Run run = longest_run(whitening, piece, 0, 1);
  if (run.length >= kLeastRun) {
    const std::size_t at = run.end - run.length - length;  // the first bit of the run, its start included
    return Caught{at, output_of(whitening, piece, at, 1, run.inverted)};
  }
  Run best;
  std::size_t lane = 0;
  for (std::size_t i = 0; i < 8; ++i)
    if (const Run in_lane = longest_run(whitening, piece, i, 8); in_lane.length > best.length) {
      best = in_lane;
      lane = i;
    }
  if (best.length < kLeastRun) return std::nullopt;
  const std::size_t byte = best.end - best.length - length;
  const auto state =
      state_from(whitening, output_of(whitening, piece, byte * 8 + lane, 8, best.inverted), lane, 8);
  if (!state) return std::nullopt;
  return Caught{byte * 8, *state};
}

// Without the factors x + 1, which constant content brings in.
std::uint64_t without_constant(std::uint64_t polynomial) {
  while (polynomial > 1 && std::popcount(polynomial) % 2 == 0) {
    std::uint64_t quotient = 0;
    for (unsigned bit = static_cast<unsigned>(std::bit_width(polynomial)) - 1; bit >= 1; --bit)
      if (polynomial >> bit & 1) {
        quotient |= std::uint64_t{1} << (bit - 1);
        polynomial ^= std::uint64_t{3} << (bit - 1);
      }
    polynomial = quotient;
  }
  return polynomial;
}

// The restart after which contents are plainest; the longest of those about as good.
std::uint32_t find_restart(Register whitening, std::span<const Bytes> pages) {
  const std::uint32_t whole = static_cast<std::uint32_t>(pages[0].size());
  std::uint32_t best = whole;
  double least = 0;
  Bytes sequence(whole);
  for (std::uint32_t restart = whole; restart >= 256;
       restart = restart == whole ? std::bit_floor(whole - 1) : restart / 2) {
    whitening.restart_bytes = restart;
    double entropy = 0;
    for (const Bytes& page : pages.first(std::min(pages.size(), kRestartPages))) {
      follow_page(whitening, page, sequence);
      for (std::size_t i = 0; i < whole; ++i) sequence[i] = static_cast<std::uint8_t>(sequence[i] ^ page[i]);
      ByteCounts counts;
      counts.add(sequence);
      entropy += counts.entropy();
    }
    if (restart == whole || entropy < least * 0.98) {
      best = restart;
      least = entropy;
    }
  }
  return best;
}

}  // namespace

bool follow(const Register& whitening, ByteSpan piece, MutableByteSpan sequence) {
  std::fill(sequence.begin(), sequence.end(), std::uint8_t{0});
  const auto caught = catch_register(whitening, piece);
  if (!caught) return false;
  const unsigned length = whitening.feedback.length();
  const std::uint64_t taps = taps_of(whitening.feedback), keep = (std::uint64_t{1} << length) - 1;
  for (unsigned i = 0; i < length; ++i)
    if (caught->state >> (length - 1 - i) & 1) set_bit(sequence, caught->at + i, whitening.order);
  std::uint64_t state = caught->state;
  for (std::size_t i = caught->at + length; i < piece.size() * 8; ++i) {
    const bool bit = (std::popcount(state & taps) & 1) != 0;
    state = (state << 1 | (bit ? 1u : 0u)) & keep;
    if (bit) set_bit(sequence, i, whitening.order);
  }
  // Backwards: s[n-L] is what the other taps and s[n] leave.
  const std::uint64_t others = taps & ~(std::uint64_t{1} << (length - 1));
  state = caught->state;
  for (std::size_t i = caught->at; i-- > 0;) {
    const std::uint64_t newest = state & 1;
    state >>= 1;
    const bool bit = ((std::popcount(state & others) & 1) != 0) != (newest != 0);
    state |= std::uint64_t{bit ? 1u : 0u} << (length - 1);
    if (bit) set_bit(sequence, i, whitening.order);
  }
  return true;
}

std::size_t follow_page(const Register& whitening, ByteSpan data, MutableByteSpan sequence) {
  std::size_t followed = 0;
  for (std::size_t at = 0; at < data.size(); at += whitening.restart_bytes) {
    const std::size_t size = std::min<std::size_t>(whitening.restart_bytes, data.size() - at);
    if (follow(whitening, data.subspan(at, size), sequence.subspan(at, size))) followed += size;
  }
  return followed;
}

std::optional<Register> find_register(std::span<const Bytes> pages) {
  std::map<std::pair<BitOrder, Feedback>, std::size_t> seen;  // on how many pages
  for (const Bytes& page : pages) {
    std::map<std::pair<BitOrder, Feedback>, bool> here;
    const std::size_t windows = page.size() / kWindow, taken = std::min(windows, kWindowsOfPage);
    for (std::size_t k = 0; k < taken; ++k)
      for (const BitOrder order : {BitOrder::msb_first, BitOrder::lsb_first}) {
        const auto feedback =
            linear_complexity(ByteSpan(page).subspan(k * windows / taken * kWindow, kWindow), order).feedback;
        if (!feedback) continue;
        const Feedback core{without_constant(feedback->polynomial)};
        if (core.length() >= kLeastStages && is_irreducible(core.polynomial)) here[{order, core}] = true;
      }
    for (const auto& [what, yes] : here) ++seen[what];
  }
  const auto most =
      std::max_element(seen.begin(), seen.end(), [](const auto& a, const auto& b) { return a.second < b.second; });
  if (most == seen.end() || most->second < kLeastPages) return std::nullopt;
  Register found{.feedback = most->first.second, .order = most->first.first};
  found.restart_bytes = find_restart(found, pages);
  return found;
}

}  // namespace steadycell::assess
