#include "ecc/page_code.h"

#include <algorithm>
#include <cassert>

namespace steadycell::ecc {
namespace {

std::uint8_t reversed(std::uint8_t b) {
  b = static_cast<std::uint8_t>((b & 0xF0) >> 4 | (b & 0x0F) << 4);
  b = static_cast<std::uint8_t>((b & 0xCC) >> 2 | (b & 0x33) << 2);
  return static_cast<std::uint8_t>((b & 0xAA) >> 1 | (b & 0x55) << 1);
}

template <typename Use>
void for_each_range(const Step& step, Use&& use) {
  for (const Range& range : step.data) use(range, false);
  for (const Range& range : step.metadata) use(range, false);
  for (const Range& range : step.code) use(range, true);
}

std::uint32_t zeros(ByteSpan bytes) { return static_cast<std::uint32_t>(bytes.size() * 8 - count_ones(bytes)); }

bool all_ff(ByteSpan bytes) {
  return std::all_of(bytes.begin(), bytes.end(), [](std::uint8_t byte) { return byte == 0xFF; });
}

}  // namespace

Result<PageCode> PageCode::make(const Scheme& scheme) {
  PageCode page(scheme);
  const std::uint32_t covered = scheme.steps[0].covered_bytes();
  if (scheme.code == CodeKind::bch) {
    auto bch = BchCode::make(scheme.m, scheme.t, scheme.polynomial, covered);
    if (!bch) return failure(bch.error());
    page.code_bits_ = bch->code_bits();
    page.parity_bits_ = bch->parity_bits();
    page.t_ = scheme.t;
    page.bch_ = std::make_unique<BchCode>(std::move(*bch));
  } else {
    page.hamming_ = std::make_unique<HammingCode>(covered, scheme.hamming_order);
    page.code_bits_ = page.hamming_->code_bits();
    page.parity_bits_ = page.hamming_->parity_bits();
  }
  page.covered_.resize(covered);
  page.code_.resize(scheme.steps[0].code_bytes());
  return page;
}

void PageCode::gather(const Step& step, ByteSpan raw_page) {
  std::size_t covered = 0, code = 0;
  for_each_range(step, [&](Range range, bool is_code) {
    std::size_t& at = is_code ? code : covered;
    std::copy_n(raw_page.begin() + range.offset, range.length, (is_code ? code_ : covered_).begin() + static_cast<std::ptrdiff_t>(at));
    at += range.length;
  });
}

void PageCode::scatter(const Step& step, MutableByteSpan raw_page) const {
  std::size_t covered = 0, code = 0;
  for_each_range(step, [&](Range range, bool is_code) {
    std::size_t& at = is_code ? code : covered;
    std::copy_n((is_code ? code_ : covered_).begin() + static_cast<std::ptrdiff_t>(at), range.length, raw_page.begin() + range.offset);
    at += range.length;
  });
}

// From the bytes as stored to what the code was computed over. lsb_first reverses the bits of each byte, after the mask,
// which is given as stored.
void PageCode::to_code_order() {
  for (std::size_t i = 0; i < scheme_.mask.size(); ++i) code_[i] = static_cast<std::uint8_t>(code_[i] ^ scheme_.mask[i]);
  reverse_bits();
}

void PageCode::to_stored_order() {
  reverse_bits();
  for (std::size_t i = 0; i < scheme_.mask.size(); ++i) code_[i] = static_cast<std::uint8_t>(code_[i] ^ scheme_.mask[i]);
}

void PageCode::reverse_bits() {
  if (scheme_.bit_order == BitOrder::msb_first) return;
  std::transform(covered_.begin(), covered_.end(), covered_.begin(), reversed);
  std::transform(code_.begin(), code_.end(), code_.begin(), reversed);
}

StepOutcome PageCode::decode_step(const Step& step, MutableByteSpan raw_page) {
  gather(step, raw_page);
  if (scheme_.erased == ErasedAs::all_ff) {
    const std::uint32_t zero_bits = zeros(covered_) + zeros(code_);
    if (zero_bits <= t_) {
      for_each_range(step, [&](Range range, bool) { std::fill_n(raw_page.begin() + range.offset, range.length, std::uint8_t{0xFF}); });
      return {StepStatus::erased, zero_bits};
    }
  }
  to_code_order();
  const Decoded decoded = bch_ ? bch_->decode(covered_, code_) : hamming_->decode(covered_, code_);
  if (decoded.status == DecodeStatus::failed) return {StepStatus::failed, 0};
  to_stored_order();
  if (decoded.bits > 0) scatter(step, raw_page);
  if (scheme_.erased == ErasedAs::codeword && all_ff(covered_) && zeros(code_) <= t_) {
    // Pad bits are outside the code; an erased step has them set like all others.
    for_each_range(step, [&](Range range, bool) { std::fill_n(raw_page.begin() + range.offset, range.length, std::uint8_t{0xFF}); });
    return {StepStatus::erased, decoded.bits + zeros(code_)};
  }
  return {decoded.status == DecodeStatus::clean ? StepStatus::clean : StepStatus::corrected, decoded.bits};
}

void PageCode::decode(MutableByteSpan raw_page, std::span<StepOutcome> outcomes) {
  assert(raw_page.size() == scheme_.raw_page_bytes() && outcomes.size() == steps());
  for (std::size_t i = 0; i < steps(); ++i) outcomes[i] = decode_step(scheme_.steps[i], raw_page);
}

void PageCode::encode(MutableByteSpan raw_page) {
  assert(raw_page.size() == scheme_.raw_page_bytes());
  for (const Step& step : scheme_.steps) {
    gather(step, raw_page);
    to_code_order();
    if (bch_)
      bch_->encode(covered_, code_);
    else
      hamming_->encode(covered_, code_);
    to_stored_order();
    scatter(step, raw_page);
  }
}

}  // namespace steadycell::ecc
