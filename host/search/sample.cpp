#include "search/sample.h"

#include <algorithm>
#include <array>
#include <functional>

#include "base/bits.h"

namespace steadycell::search {
namespace {

Bytes xor_of(ByteSpan a, ByteSpan b) {
  Bytes out(a.begin(), a.end());
  xor_into(out, b);
  return out;
}

}  // namespace

void Sample::add(ByteSpan raw_page) {
  const std::uint64_t bits = raw_page.size() * 8, zeros = bits - count_ones(raw_page);
  if (zeros * 50 <= bits) {
    ++erased_;
    return;
  }
  if (std::all_of(different_.begin(), different_.end(),
                  [&](std::size_t other) { return count_differing(raw_page, pages_[other]) >= kTellingBits; }))
    different_.push_back(pages_.size());
  pages_.emplace_back(raw_page.begin(), raw_page.end());
}

std::vector<Probe> make_probes(const Sample& sample, ecc::Range within, std::size_t singles, std::size_t differences) {
  const auto part = [&](ByteSpan page) { return page.subspan(within.offset, within.length); };
  const Bytes zeros(sample.raw_page_bytes(), 0), ones(sample.raw_page_bytes(), 0xFF);
  Bytes inverted_spare(zeros);
  std::fill(inverted_spare.begin() + sample.page_bytes(), inverted_spare.end(), std::uint8_t{0xFF});
  std::vector<std::size_t> telling;
  for (std::size_t i = 0; i < sample.pages(); ++i)
    if (count_differing(part(sample.page(i)), part(zeros)) >= kTellingBits &&
        count_differing(part(sample.page(i)), part(ones)) >= kTellingBits)
      telling.push_back(i);
  std::vector<Probe> probes;
  for (std::size_t k = 0; k < std::min(singles, telling.size()); ++k) {
    const ByteSpan page = sample.page(telling[k * telling.size() / std::min(singles, telling.size())]);
    for (const Bytes& against : {std::cref(zeros), std::cref(ones), std::cref(inverted_spare)})
      probes.push_back({xor_of(page, against), false});
  }
  // Partners far apart first: neighbouring pages are often alike.
  std::size_t taken = 0;
  for (std::size_t far = (telling.size() + 1) / 2; far > 0 && taken < differences; far /= 2)
    for (std::size_t i = 0; i + far < telling.size() && taken < differences; ++i) {
      const ByteSpan a = sample.page(telling[i]), b = sample.page(telling[i + far]);
      if (count_differing(part(a), part(b)) < kTellingBits) continue;
      probes.push_back({xor_of(a, b), true});
      ++taken;
    }
  return probes;
}

std::vector<bool> varying_bytes(const Sample& sample) {
  std::vector<bool> varying(sample.raw_page_bytes());
  for (std::size_t at = 0; at < varying.size(); ++at) {
    std::array<std::size_t, 256> count{};
    for (const std::size_t i : sample.different()) ++count[sample.page(i)[at]];
    varying[at] = *std::max_element(count.begin(), count.end()) * 20 < sample.different().size() * 19;
  }
  return varying;
}

}  // namespace steadycell::search
