#include "search/layout_search.h"

#include <algorithm>
#include <bit>

#include "ecc/galois_field.h"
#include "search/parts.h"

namespace steadycell::search {
namespace {

unsigned least_m(std::uint64_t bits) { return static_cast<unsigned>(std::bit_width(bits)); }

void add_bch(const Sample& sample, std::uint32_t step, Family family, bool usual_field, std::vector<Task>& tasks) {
  const unsigned m = least_m(std::uint64_t{step} * 8 + 1) + (usual_field ? 0 : 1);
  if (m > 15 || step > sample.page_bytes()) return;
  for (const std::uint32_t polynomial : usual_polynomials(m))
    for (const auto order : {ecc::BitOrder::msb_first, ecc::BitOrder::lsb_first})
      tasks.push_back({.code = ecc::CodeKind::bch,
                       .family = family,
                       .bit_order = order,
                       .step_bytes = step,
                       .m = m,
                       .polynomial = polynomial,
                       .first_root = 0});
}

void add_reed_solomon(const Sample& sample, std::uint32_t step, unsigned m, std::span<const std::uint32_t> fields, Family family,
                      std::vector<Task>& tasks) {
  const std::uint32_t symbols = (step * 8 + m - 1) / m;
  // Longer symbols than the step asks for are not used in practice.
  if (step > sample.page_bytes() || symbols + 2 > (1u << m) - 1 || symbols * 4 < (1u << m)) return;
  for (const std::uint32_t polynomial : fields)
    for (const auto order : {ecc::BitOrder::msb_first, ecc::BitOrder::lsb_first})
      for (const std::uint32_t first_root : {1u, 0u})
        tasks.push_back({.code = ecc::CodeKind::reed_solomon, .family = family, .bit_order = order, .step_bytes = step, .m = m,
                         .polynomial = polynomial, .first_root = first_root});
}

std::vector<std::uint32_t> all_primitive(unsigned m) {
  std::vector<std::uint32_t> all;
  for (std::uint32_t low = 1; low < 1u << m; low += 2)
    if (ecc::GaloisField::make(m, 1u << m | low)) all.push_back(1u << m | low);
  return all;
}

}  // namespace

std::vector<Task> tasks_for(const Sample& sample) {
  std::vector<Task> tasks;
  constexpr std::uint32_t kSteps[] = {512, 1024, 2048, 256, 128};
  for (const std::uint32_t step : {256u, 512u})
    for (const auto order : {ecc::BitOrder::msb_first, ecc::BitOrder::lsb_first})
      if (step <= sample.page_bytes()) tasks.push_back({.code = ecc::CodeKind::hamming, .bit_order = order, .step_bytes = step});
  for (const bool usual : {true, false})
    for (const std::uint32_t step : kSteps) {
      add_bch(sample, step, Family::spare, usual, tasks);
      add_bch(sample, step, Family::chunks, usual, tasks);
    }
  for (const std::uint32_t step : kSteps)
    for (unsigned m = 8; m <= 12; ++m) add_reed_solomon(sample, step, m, usual_polynomials(m), Family::spare, tasks);
  for (const Family family : {Family::metadata, Family::metadata_first})
    for (const std::uint32_t step : kSteps) add_bch(sample, step, family, true, tasks);
  if (sample.page_bytes() <= 4096)  // of the time when Reed-Solomon was used
    for (unsigned m = 9; m <= 10; ++m) {
      const auto fields = all_primitive(m);
      for (const std::uint32_t step : kSteps) add_reed_solomon(sample, step, m, fields, Family::spare, tasks);
    }
  return tasks;
}

TaskResult run(const Sample& sample, const Task& task, const std::atomic<bool>* stop) {
  switch (task.code) {
    case ecc::CodeKind::hamming: return search_hamming(sample, task);
    case ecc::CodeKind::bch: return search_bch(sample, task, stop);
    case ecc::CodeKind::reed_solomon: break;
  }
  return search_reed_solomon(sample, task, stop);
}

// Tables of primitive polynomials: Lin and Costello, from memory; m 12 to 15 as common BCH implementations have them, and
// for m 14 a third primitive one with five terms.
std::span<const std::uint32_t> usual_polynomials(unsigned m) {
  static constexpr std::uint32_t k8[] = {0x11D, 0x187}, k9[] = {0x211}, k10[] = {0x409}, k11[] = {0x805}, k12[] = {0x1053},
                                 k13[] = {0x201B, 0x25AF}, k14[] = {0x402B, 0x4443, 0x5803}, k15[] = {0x8003};
  static constexpr std::span<const std::uint32_t> kAll[] = {k8, k9, k10, k11, k12, k13, k14, k15};
  return m >= 8 && m <= 15 ? kAll[m - 8] : std::span<const std::uint32_t>();
}

ecc::Scheme bare_scheme(const Sample& sample, const Task& task) {
  ecc::Scheme scheme;
  scheme.code = task.code;
  scheme.m = task.m;
  scheme.polynomial = task.polynomial;
  scheme.first_root = task.first_root;
  scheme.bit_order = task.bit_order;
  scheme.page_bytes = sample.page_bytes();
  scheme.spare_bytes = sample.spare_bytes();
  return scheme;
}

std::vector<ecc::Range> ranges_around(std::uint32_t offset, std::uint32_t length, ecc::Range gap) {
  if (gap.length == 0 || offset + length <= gap.offset) return {{offset, length}};
  if (offset >= gap.offset) return {{offset + gap.length, length}};
  const std::uint32_t before = gap.offset - offset;
  return {{offset, before}, {gap.offset + gap.length, length - before}};
}

}  // namespace steadycell::search
