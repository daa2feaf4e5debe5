#pragma once
#include <span>

#include "search/layout_search.h"

// The parts of the search by code; for the .cpp files of this room only.
namespace steadycell::search {

TaskResult search_hamming(const Sample& sample, const Task& task);
TaskResult search_bch(const Sample& sample, const Task& task, const std::atomic<bool>* stop);
TaskResult search_reed_solomon(const Sample& sample, const Task& task, const std::atomic<bool>* stop);

// The byte's bits in the other order.
constexpr std::uint8_t reversed(std::uint8_t byte) {
  std::uint8_t out = 0;
  for (unsigned bit = 0; bit < 8; ++bit) out = static_cast<std::uint8_t>(out << 1 | (byte >> bit & 1));
  return out;
}

inline bool stopped(const std::atomic<bool>* stop) { return stop != nullptr && stop->load(std::memory_order_relaxed); }

// Field polynomials in use for this m; the first is the usual default.
std::span<const std::uint32_t> usual_polynomials(unsigned m);
// Everything but steps, t and mask.
ecc::Scheme bare_scheme(const Sample& sample, const Task& task);
// One range, or two when it goes over the bytes [gap, gap + gap_bytes), which do not belong to it.
std::vector<ecc::Range> ranges_around(std::uint32_t offset, std::uint32_t length, ecc::Range gap);

}  // namespace steadycell::search
