#include "ecc/bch.h"

#include <algorithm>
#include <bit>
#include <cassert>

#include "ecc/bch_inside.h"

namespace steadycell::ecc {
namespace {

std::vector<BchPath> paths_of_this_processor() {
  std::vector<BchPath> paths{BchPath::portable};
#if defined(__x86_64__)
  const auto all = [](std::initializer_list<bool> has) { return std::all_of(has.begin(), has.end(), [](bool one) { return one; }); };
  if (all({__builtin_cpu_supports("avx2") != 0, __builtin_cpu_supports("pclmul") != 0})) paths.push_back(BchPath::avx2);
  if (all({__builtin_cpu_supports("avx512f") != 0, __builtin_cpu_supports("avx512bw") != 0, __builtin_cpu_supports("avx512dq") != 0,
           __builtin_cpu_supports("avx512vl") != 0, __builtin_cpu_supports("avx512vbmi") != 0, __builtin_cpu_supports("vpclmulqdq") != 0,
           __builtin_cpu_supports("gfni") != 0}))
    paths.push_back(BchPath::avx512);
#endif
  return paths;
}

}  // namespace

std::span<const BchPath> bch_paths() {
  static const std::vector<BchPath> paths = paths_of_this_processor();
  return paths;
}

const char* name_of(BchPath path) {
  return path == BchPath::portable ? "portable" : path == BchPath::avx2 ? "avx2" : "avx512";
}

Remainder BchCode::Inside::remainder(const std::uint8_t* data) const {
  if (path == BchPath::avx512) return avx512::remainder(*this, data);
  if (path == BchPath::avx2) return avx2::remainder(*this, data);
  Remainder r{};
  const std::size_t whole = shape.data_bits / 8;
  std::size_t at = 0;
  for (; at + 8 <= whole; at += 8) {  // a register shorter than 64 bits is shifted out whole: its low bits are zero
    std::uint64_t top = r[0];
    for (unsigned i = 0; i < 8; ++i) top ^= static_cast<std::uint64_t>(data[at + i]) << (56 - 8 * i);
    const std::uint64_t* added[8];
    for (std::size_t place = 0; place < 8; ++place) added[place] = &word_step[(place * 256 + (top >> (8 * place) & 0xFF)) * words];
    for (std::size_t i = 0; i < words; ++i)
      r[i] = (i + 1 < words ? r[i + 1] : 0) ^ added[0][i] ^ added[1][i] ^ added[2][i] ^ added[3][i] ^ added[4][i] ^ added[5][i] ^
             added[6][i] ^ added[7][i];
  }
  for (; at < whole; ++at) step_up(*this, r, data[at]);
  if (const unsigned rest = shape.data_bits % 8) {
    // The last bits alone: in a byte whose upper bits meet nothing, `rest` shifts are a table step of that small byte.
    const unsigned top = static_cast<unsigned>(r[0] >> (64 - rest)), bits = static_cast<unsigned>(data[whole]) >> (8 - rest);
    for (std::size_t i = 0; i + 1 < words; ++i) r[i] = r[i] << rest | r[i + 1] >> (64 - rest);
    r[words - 1] <<= rest;
    for (std::size_t i = 0; i < words; ++i) r[i] ^= byte_step[top ^ bits][i];
  }
  return r;
}

void BchCode::Inside::subtract_parity(Remainder& r, ByteSpan parity) const {
  for (std::size_t i = 0; i < parity.size(); ++i) r[i / 8] ^= static_cast<std::uint64_t>(parity[i]) << (56 - 8 * (i % 8));
  if (const unsigned used = parity_bits % 64) r[words - 1] &= ~0ull << (64 - used);  // pad bits say nothing
}

Result<BchCode> BchCode::make(const BchShape& shape, BchPath path) {
  const auto [m, t, polynomial, data_bits] = shape;
  assert(std::find(bch_paths().begin(), bch_paths().end(), path) != bch_paths().end());
  if (m < 4 || m > 15) return failure(ErrorCode::bad_input_file, "BCH with m = {} is not supported: m should be 4 to 15", m);
  if (t < 1 || t > kMaxBchT)
    return failure(ErrorCode::bad_input_file, "BCH with t = {} is not supported: t should be 1 to {}", t, kMaxBchT);
  if (data_bits < 1) return failure(ErrorCode::bad_input_file, "a BCH step should have data");
  auto field = GaloisField::make(m, polynomial);
  if (!field) return failure(field.error());
  if (2 * t >= field->order()) return failure(ErrorCode::bad_input_file, "BCH with m = {} cannot correct {} bits", m, t);
  auto generator = bch_generator(*field, t);
  const std::size_t parity_bits = generator.size() - 1;
  if (data_bits > field->order() || parity_bits > field->order() - data_bits)
    return failure(ErrorCode::bad_input_file, "BCH m = {}, t = {}: {} data bits and {} parity bits are more than the code's {} bits",
                   m, t, data_bits, parity_bits, field->order());
  return BchCode(std::make_shared<const Inside>(std::move(*field), shape, std::move(generator), path));
}

BchPath BchCode::path() const { return inside_->path; }
unsigned BchCode::m() const { return inside_->shape.m; }
unsigned BchCode::t() const { return inside_->shape.t; }
std::uint32_t BchCode::data_bits() const { return inside_->shape.data_bits; }
std::uint32_t BchCode::parity_bits() const { return inside_->parity_bits; }
std::span<const std::uint8_t> BchCode::generator() const { return inside_->generator; }

void BchCode::encode(ByteSpan data, MutableByteSpan parity) const {
  assert(data.size() == data_bytes() && parity.size() == parity_bytes());
  const Remainder r = inside_->remainder(data.data());
  for (std::size_t i = 0; i < parity.size(); ++i) parity[i] = static_cast<std::uint8_t>(r[i / 8] >> (56 - 8 * (i % 8)));
}

Decoded BchCode::decode(MutableByteSpan data, MutableByteSpan parity, BchWorkspace& workspace,
                        std::span<std::uint32_t> positions) const {
  assert(data.size() == data_bytes() && parity.size() == parity_bytes());
  assert(positions.empty() || positions.size() >= t());
  BchWorkspace::Inside& work = *workspace.inside_;
  Remainder r = inside_->remainder(data.data());
  inside_->subtract_parity(r, parity);
  if (std::all_of(r.begin(), r.begin() + static_cast<std::ptrdiff_t>(inside_->words), [](std::uint64_t w) { return w == 0; }))
    return {};

  constexpr Decoded kFailed{DecodeStatus::failed, 0};
  if (!work.make_syndromes(*inside_, r)) return kFailed;
  const unsigned degree = work.find_locator(*inside_);
  if (degree == 0 || !work.find_roots(*inside_, degree)) return kFailed;

  // A search leaves powers nearly in ascending order, and places count the other way.
  for (std::uint32_t& power : work.roots) power = code_bits() - 1 - power;
  std::reverse(work.roots.begin(), work.roots.end());
  for (auto place = work.roots.begin() + 1; place != work.roots.end(); ++place)
    if (*place < place[-1]) std::rotate(std::upper_bound(work.roots.begin(), place, *place), place, place + 1);
  for (const std::uint32_t at : work.roots) {
    const std::uint32_t in_parity = at - data_bits();
    std::uint8_t& byte = at < data_bits() ? data[at / 8] : parity[in_parity / 8];
    byte = static_cast<std::uint8_t>(byte ^ (0x80u >> (at < data_bits() ? at : in_parity) % 8));
  }
  if (!positions.empty()) std::copy(work.roots.begin(), work.roots.end(), positions.begin());
  return {DecodeStatus::corrected, degree};
}

}  // namespace steadycell::ecc
