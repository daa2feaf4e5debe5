#include "ecc/page_code.h"

#include <algorithm>
#include <bit>
#include <cassert>

namespace steadycell::ecc {
namespace {

std::uint8_t reversed(std::uint8_t b) {
  b = static_cast<std::uint8_t>((b & 0xF0) >> 4 | (b & 0x0F) << 4);
  b = static_cast<std::uint8_t>((b & 0xCC) >> 2 | (b & 0x33) << 2);
  return static_cast<std::uint8_t>((b & 0xAA) >> 1 | (b & 0x55) << 1);
}

// Calls use(range, is code, place of the range within the step's protected or code bytes) for each range.
template <typename Use>
void for_each_range(const Step& step, Use&& use) {
  std::size_t covered = 0, code = 0;
  for (const auto* ranges : {&step.data, &step.metadata, &step.code}) {
    const bool is_code = ranges == &step.code;
    std::size_t& at = is_code ? code : covered;
    for (const Range& range : *ranges) {
      use(range, is_code, at);
      at += range.length;
    }
  }
}

// Of each step, whether a byte of it belongs to another step as well.
std::vector<bool> steps_that_share(const Scheme& scheme) {
  constexpr std::size_t kNone = ~std::size_t{0};
  std::vector<std::size_t> owner(scheme.raw_page_bytes(), kNone);
  std::vector<bool> shares(scheme.steps.size(), false);
  for (std::size_t i = 0; i < scheme.steps.size(); ++i)
    for_each_range(scheme.steps[i], [&](Range range, bool, std::size_t) {
      for (std::size_t byte = range.offset; byte < range.offset + range.length; ++byte) {
        if (owner[byte] == kNone)
          owner[byte] = i;
        else if (owner[byte] != i)
          shares[i] = shares[owner[byte]] = true;
      }
    });
  return shares;
}

// How many zero bits, or some number beyond `limit` when there are more: written data show that in their first bytes.
std::uint32_t zeros(ByteSpan bytes, std::uint32_t limit) {
  constexpr std::size_t kPiece = 64;
  std::uint32_t found = 0;
  for (std::size_t at = 0; at < bytes.size() && found <= limit; at += kPiece) {
    const ByteSpan piece = bytes.subspan(at, std::min(kPiece, bytes.size() - at));
    found += static_cast<std::uint32_t>(piece.size() * 8 - count_ones(piece));
  }
  return found;
}

}  // namespace

PageCode::PageCode(Scheme scheme, std::optional<BchCode> bch, std::optional<ReedSolomonCode> reed_solomon)
    : scheme_(std::move(scheme)), bch_(std::move(bch)), reed_solomon_(std::move(reed_solomon)) {
  const Step& first = scheme_.steps[0];  // all are of one size
  if (bch_) {
    workspace_.emplace(*bch_);
    code_bits_ = bch_->code_bits();
    check_bits_ = bch_->parity_bits();
    t_ = bch_->t();
  } else if (reed_solomon_) {
    reed_solomon_workspace_.emplace(*reed_solomon_);
    code_bits_ = reed_solomon_->code_bits();
    check_bits_ = reed_solomon_->parity_bits();
    t_ = reed_solomon_->t();
  } else {
    hamming_.emplace(first.covered_bytes(), scheme_.hamming_order);
    code_bits_ = hamming_->code_bits();
    check_bits_ = hamming_->check_bits();
  }
  shares_ = steps_that_share(scheme_);
  if (std::find(shares_.begin(), shares_.end(), true) != shares_.end()) before_.resize(scheme_.raw_page_bytes());
  covered_.resize(first.covered_bytes());
  code_.resize(first.code_bytes());
}

Result<PageCode> PageCode::make(const Scheme& scheme) {
  if (scheme.code == CodeKind::hamming) return PageCode(scheme, std::nullopt, std::nullopt);
  if (scheme.code == CodeKind::reed_solomon) {
    auto code = ReedSolomonCode::make(scheme.reed_solomon_shape());
    if (!code) return failure(code.error());
    return PageCode(scheme, std::nullopt, std::move(*code));
  }
  auto bch = BchCode::make(scheme.bch_shape());
  if (!bch) return failure(bch.error());
  return PageCode(scheme, std::move(*bch), std::nullopt);
}

PageCode PageCode::for_another_thread() const { return PageCode(scheme_, bch_, reed_solomon_); }

void PageCode::gather(const Step& step, ByteSpan raw_page) {
  for_each_range(step, [&](Range range, bool is_code, std::size_t at) {
    std::copy_n(raw_page.begin() + range.offset, range.length, (is_code ? code_ : covered_).begin() + static_cast<std::ptrdiff_t>(at));
  });
}

void PageCode::scatter(const Step& step, MutableByteSpan raw_page, std::vector<WrongBit>* wrong) const {
  for_each_range(step, [&](Range range, bool is_code, std::size_t at) {
    const ByteSpan right = ByteSpan(is_code ? code_ : covered_).subspan(at, range.length);
    const MutableByteSpan there = raw_page.subspan(range.offset, range.length);
    for (std::uint32_t i = 0; wrong && i < range.length; ++i)
      for (unsigned left = there[i] ^ right[i]; left != 0; left &= left - 1) {
        const auto bit = static_cast<std::uint8_t>(std::countr_zero(left));
        wrong->push_back({.offset = range.offset + i, .bit = bit, .read_as_one = (there[i] >> bit & 1) != 0});
      }
    std::copy(right.begin(), right.end(), there.begin());
  });
}

// From the bytes as stored to what the code was computed over. lsb_first reverses the bits of each byte, after the mask,
// which is given as stored.
void PageCode::to_code_order() {
  apply_mask();
  reverse_bits();
}

void PageCode::to_stored_order() {
  reverse_bits();
  apply_mask();
}

void PageCode::apply_mask() {
  for (std::size_t i = 0; i < scheme_.mask.size(); ++i) code_[i] = static_cast<std::uint8_t>(code_[i] ^ scheme_.mask[i]);
}

void PageCode::reverse_bits() {
  if (scheme_.bit_order == BitOrder::msb_first) return;
  std::transform(covered_.begin(), covered_.end(), covered_.begin(), reversed);
  std::transform(code_.begin(), code_.end(), code_.begin(), reversed);
}

StepOutcome PageCode::decode_gathered() {
  std::uint32_t symbols = 0;
  Decoded decoded;
  if (bch_) {
    decoded = bch_->decode(covered_, code_, *workspace_);
  } else if (reed_solomon_) {
    const ReedSolomonDecoded found = reed_solomon_->decode(covered_, code_, *reed_solomon_workspace_);
    decoded = {found.status, found.bits};
    symbols = found.symbols;
  } else {
    decoded = hamming_->decode(covered_, code_);
  }
  if (decoded.status == DecodeStatus::failed) return {StepStatus::failed};
  return {decoded.status == DecodeStatus::clean ? StepStatus::clean : StepStatus::corrected, decoded.bits, symbols};
}

StepOutcome PageCode::decode_step(const Step& step, MutableByteSpan raw_page, std::vector<WrongBit>* wrong) {
  gather(step, raw_page);
  const auto as_erased = [&](std::uint32_t changed) -> StepOutcome {
    std::fill(covered_.begin(), covered_.end(), std::uint8_t{0xFF});
    std::fill(code_.begin(), code_.end(), std::uint8_t{0xFF});
    if (changed > 0) scatter(step, raw_page, wrong);
    return {StepStatus::erased, changed, 0};
  };
  std::uint32_t zero_bits = zeros(covered_, t_);
  if (zero_bits <= t_) zero_bits += zeros(code_, t_ - zero_bits);
  if (scheme_.erased == ErasedAs::all_ff && zero_bits <= t_) return as_erased(zero_bits);

  to_code_order();
  const StepOutcome decoded = decode_gathered();
  if (decoded.status == StepStatus::failed) return decoded;
  to_stored_order();
  // Pad bits are outside the code; an erased step has them set like all others.
  if (scheme_.erased == ErasedAs::codeword && zero_bits <= t_ && zeros(covered_, 0) == 0 && zeros(code_, t_) <= t_) return as_erased(zero_bits);
  if (decoded.bits > 0) scatter(step, raw_page, wrong);
  return decoded;
}

void PageCode::decode(MutableByteSpan raw_page, std::span<StepOutcome> outcomes, std::vector<WrongBit>* wrong) {
  assert(raw_page.size() == scheme_.raw_page_bytes() && outcomes.size() == steps());
  if (wrong) {
    wrong->clear();
    wrong->reserve(std::size_t{steps()} * (t_ * symbol_bits() + 8));  // an erased step also mends up to 7 pad bits
  }
  if (!before_.empty()) std::copy(raw_page.begin(), raw_page.end(), before_.begin());
  for (std::size_t i = 0; i < steps(); ++i) outcomes[i] = decode_step(scheme_.steps[i], raw_page, wrong);
  if (before_.empty() || sharers_agree(raw_page, outcomes)) return;
  // One step's correction is another's error: nothing says which of them is right.
  std::copy(before_.begin(), before_.end(), raw_page.begin());
  if (wrong) wrong->clear();
  for (std::size_t i = 0; i < steps(); ++i)
    outcomes[i] = shares_[i] ? StepOutcome{StepStatus::failed} : decode_step(scheme_.steps[i], raw_page, wrong);
}

// Whether each step that was decoded is still a codeword after what the others changed. When not, raw_page may be changed further.
bool PageCode::sharers_agree(MutableByteSpan raw_page, std::span<const StepOutcome> outcomes) {
  for (std::size_t i = 0; i < steps(); ++i)
    if (shares_[i] && outcomes[i].status != StepStatus::failed && decode_step(scheme_.steps[i], raw_page, nullptr).bits != 0) return false;
  return true;
}

void PageCode::encode(MutableByteSpan raw_page) {
  assert(raw_page.size() == scheme_.raw_page_bytes());
  for (const Step& step : scheme_.steps) {
    gather(step, raw_page);
    to_code_order();
    if (bch_)
      bch_->encode(covered_, code_);
    else if (reed_solomon_)
      reed_solomon_->encode(covered_, code_);
    else
      hamming_->encode(covered_, code_);
    to_stored_order();
    scatter(step, raw_page, nullptr);
  }
}

}  // namespace steadycell::ecc
