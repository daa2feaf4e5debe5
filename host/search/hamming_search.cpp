#include <algorithm>
#include <array>
#include <optional>

#include "ecc/hamming.h"
#include "search/parts.h"

namespace steadycell::search {
namespace {

constexpr std::size_t kMostPages = 256, kLeastPages = 8;
constexpr double kLeastEqualShare = 0.12;  // of equal differences; by chance about 1 in 256

// The commonest of the values, and the share that has it.
struct Common {
  std::uint8_t value = 0;
  double share = 0;
};
Common commonest(std::span<const std::uint8_t> values) {
  std::array<std::size_t, 256> count{};
  for (const std::uint8_t value : values) ++count[value];
  const auto most = std::max_element(count.begin(), count.end());
  return {static_cast<std::uint8_t>(most - count.begin()), static_cast<double>(*most) / static_cast<double>(values.size())};
}

}  // namespace

// Each code byte is looked for on its own: computed from the data as read, it equals one spare byte of the page, but for a
// fixed XOR, in all pages whose step has no error that it sees. So bytes may lie anywhere and in any order. Pages with the
// commonest value tell nothing: they may be as good as empty.
TaskResult search_hamming(const Sample& sample, const Task& task) {
  TaskResult result;
  const std::uint32_t steps = sample.page_bytes() / task.step_bytes, spare = sample.spare_bytes();
  const std::size_t pages = std::min(kMostPages, sample.pages());
  if (steps * ecc::kHammingCodeBytes > spare || pages < kLeastPages) return result;
  const ecc::HammingCode code(task.step_bytes, ecc::HammingOrder::high_line_first);
  const bool reverse = task.bit_order == ecc::BitOrder::lsb_first;

  ecc::Scheme scheme = bare_scheme(sample, task);
  scheme.t = 1;
  std::vector<bool> used(spare);
  std::array<std::array<std::size_t, 256>, ecc::kHammingCodeBytes> masks{};
  Bytes data(task.step_bytes), differences;
  std::vector<std::size_t> telling;
  for (std::uint32_t step = 0; step < steps; ++step) {
    std::array<Bytes, ecc::kHammingCodeBytes> computed;
    for (std::size_t i = 0; i < pages; ++i) {
      const ByteSpan stored = sample.page(i * sample.pages() / pages).subspan(std::size_t{step} * task.step_bytes, task.step_bytes);
      std::copy(stored.begin(), stored.end(), data.begin());
      if (reverse) std::transform(data.begin(), data.end(), data.begin(), reversed);
      std::array<std::uint8_t, ecc::kHammingCodeBytes> parity{};
      code.encode(data, parity);
      for (std::size_t k = 0; k < parity.size(); ++k) computed[k].push_back(reverse ? reversed(parity[k]) : parity[k]);
    }
    ecc::Step laid{.data = {{step * task.step_bytes, task.step_bytes}}, .metadata = {}, .code = {}};
    for (std::size_t k = 0; k < computed.size(); ++k) {
      const std::uint8_t usual = commonest(computed[k]).value;
      telling.clear();
      for (std::size_t i = 0; i < pages; ++i)
        if (computed[k][i] != usual) telling.push_back(i);
      if (telling.size() < kLeastPages) return result;
      differences.resize(telling.size());
      Common best;
      std::uint32_t where = 0;
      for (std::uint32_t at = 0; at < spare; ++at) {
        if (used[at]) continue;
        for (std::size_t i = 0; i < telling.size(); ++i) {
          const ByteSpan page = sample.page(telling[i] * sample.pages() / pages);
          differences[i] = static_cast<std::uint8_t>(page[sample.page_bytes() + at] ^ computed[k][telling[i]]);
        }
        ++result.hypotheses;
        if (const Common common = commonest(differences); common.share > best.share) {
          best = common;
          where = at;
        }
      }
      if (best.share < kLeastEqualShare) return result;
      used[where] = true;
      ++masks[k][best.value];
      laid.code.push_back({sample.page_bytes() + where, 1});
    }
    scheme.steps.push_back(std::move(laid));
  }
  if (scheme.steps[0].code[1].offset < scheme.steps[0].code[0].offset) {  // the other order of the same bytes
    scheme.hamming_order = ecc::HammingOrder::low_line_first;
    for (ecc::Step& step : scheme.steps) std::swap(step.code[0], step.code[1]);
    std::swap(masks[0], masks[1]);
  }
  for (const auto& count : masks)
    scheme.mask.push_back(static_cast<std::uint8_t>(std::max_element(count.begin(), count.end()) - count.begin()));
  for (ecc::Step& step : scheme.steps) {  // neighbours make one range
    std::vector<ecc::Range> joined;
    for (const ecc::Range& range : step.code)
      if (!joined.empty() && joined.back().offset + joined.back().length == range.offset)
        ++joined.back().length;
      else
        joined.push_back(range);
    step.code = std::move(joined);
  }
  result.found = verify(sample, std::move(scheme), true);
  return result;
}

}  // namespace steadycell::search
