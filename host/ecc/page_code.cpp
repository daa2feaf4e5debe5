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

// Calls use(range, is code, place of the range within the step's protected or code bytes) for each range, in the order of
// the codeword.
template <typename Use>
void for_each_range(const Scheme& scheme, const Step& step, Use&& use) {
  std::size_t covered = 0, code = 0;
  const bool metadata_first = scheme.metadata_place == MetadataPlace::before_data;
  for (const auto* ranges : {metadata_first ? &step.metadata : &step.data, metadata_first ? &step.data : &step.metadata, &step.code}) {
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
    for_each_range(scheme, scheme.steps[i], [&](Range range, bool, std::size_t) {
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

PageCode::PageCode(Scheme scheme, std::vector<Coder> coders, std::vector<std::size_t> coder_of)
    : scheme_(std::move(scheme)), coders_(std::move(coders)), coder_of_(std::move(coder_of)) {
  for (const Coder& coder : coders_) {
    if (coder.bch) {
      code_bits_ = std::max(code_bits_, coder.bch->code_bits());
      check_bits_ = coder.bch->parity_bits();
      t_ = coder.bch->t();
      code_symbols_ = code_bits_;
    } else if (coder.reed_solomon) {
      code_bits_ = std::max(code_bits_, coder.reed_solomon->code_bits());
      check_bits_ = coder.reed_solomon->parity_bits();
      t_ = coder.reed_solomon->t();
      symbol_bits_ = coder.reed_solomon->symbol_bits();
      code_symbols_ = std::max(code_symbols_, coder.reed_solomon->code_symbols());
    } else {
      code_bits_ = code_symbols_ = std::max(code_bits_, coder.hamming->code_bits());
      check_bits_ = check_bits_ == 0 ? coder.hamming->check_bits() : std::min(check_bits_, coder.hamming->check_bits());
    }
  }
  shares_ = steps_that_share(scheme_);
  if (std::find(shares_.begin(), shares_.end(), true) != shares_.end()) before_.resize(scheme_.raw_page_bytes());
  std::uint32_t most_covered = 0;
  for (const Step& step : scheme_.steps) most_covered = std::max(most_covered, step.covered_bytes());
  covered_.resize(most_covered);
  code_.resize(scheme_.steps[0].code_bytes());
}

Result<PageCode> PageCode::make(const Scheme& scheme) {
  std::vector<Coder> coders;
  std::vector<std::size_t> coder_of;
  std::vector<std::uint32_t> sizes;
  for (const Step& step : scheme.steps) {
    const auto known = std::find(sizes.begin(), sizes.end(), step.covered_bytes());
    coder_of.push_back(static_cast<std::size_t>(known - sizes.begin()));
    if (known != sizes.end()) continue;
    sizes.push_back(step.covered_bytes());
    if (scheme.code == CodeKind::hamming) {
      coders.emplace_back(HammingCode(step.covered_bytes(), scheme.hamming_order));
    } else if (scheme.code == CodeKind::reed_solomon) {
      auto code = ReedSolomonCode::make(scheme.reed_solomon_shape(step));
      if (!code) return failure(code.error());
      coders.emplace_back(std::move(*code));
    } else {
      auto code = BchCode::make(scheme.bch_shape(step));
      if (!code) return failure(code.error());
      coders.emplace_back(std::move(*code));
    }
  }
  return PageCode(scheme, std::move(coders), std::move(coder_of));
}

PageCode PageCode::for_another_thread() const {
  std::vector<Coder> coders;
  for (const Coder& coder : coders_) {
    if (coder.bch)
      coders.emplace_back(*coder.bch);
    else if (coder.reed_solomon)
      coders.emplace_back(*coder.reed_solomon);
    else
      coders.emplace_back(*coder.hamming);
  }
  return PageCode(scheme_, std::move(coders), coder_of_);
}

void PageCode::gather(std::size_t index, ByteSpan raw_page) {
  covered_.resize(scheme_.steps[index].covered_bytes());
  for_each_range(scheme_, scheme_.steps[index], [&](Range range, bool is_code, std::size_t at) {
    std::copy_n(raw_page.begin() + range.offset, range.length, (is_code ? code_ : covered_).begin() + static_cast<std::ptrdiff_t>(at));
  });
}

void PageCode::scatter(std::size_t index, MutableByteSpan raw_page, std::vector<WrongBit>* wrong) const {
  for_each_range(scheme_, scheme_.steps[index], [&](Range range, bool is_code, std::size_t at) {
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

StepOutcome PageCode::decode_gathered(Coder& coder) {
  std::uint32_t symbols = 0;
  Decoded decoded;
  if (coder.bch) {
    decoded = coder.bch->decode(covered_, code_, *coder.workspace);
  } else if (coder.reed_solomon) {
    const ReedSolomonDecoded found = coder.reed_solomon->decode(covered_, code_, *coder.reed_solomon_workspace);
    decoded = {found.status, found.bits};
    symbols = found.symbols;
  } else {
    decoded = coder.hamming->decode(covered_, code_);
  }
  if (decoded.status == DecodeStatus::failed) return {StepStatus::failed};
  return {decoded.status == DecodeStatus::clean ? StepStatus::clean : StepStatus::corrected, decoded.bits, symbols};
}

StepOutcome PageCode::decode_step(std::size_t index, MutableByteSpan raw_page, std::vector<WrongBit>* wrong) {
  gather(index, raw_page);
  const auto as_erased = [&](std::uint32_t changed) -> StepOutcome {
    std::fill(covered_.begin(), covered_.end(), std::uint8_t{0xFF});
    std::fill(code_.begin(), code_.end(), std::uint8_t{0xFF});
    if (changed > 0) scatter(index, raw_page, wrong);
    return {StepStatus::erased, changed, 0};
  };
  std::uint32_t zero_bits = zeros(covered_, t_);
  if (zero_bits <= t_) zero_bits += zeros(code_, t_ - zero_bits);
  if (scheme_.erased == ErasedAs::all_ff && zero_bits <= t_) return as_erased(zero_bits);

  to_code_order();
  const StepOutcome decoded = decode_gathered(coders_[coder_of_[index]]);
  if (decoded.status == StepStatus::failed) return decoded;
  to_stored_order();
  // Pad bits are outside the code; an erased step has them set like all others.
  if (scheme_.erased == ErasedAs::codeword && zero_bits <= t_ && zeros(covered_, 0) == 0 && zeros(code_, t_) <= t_)
    return as_erased(zero_bits);
  if (decoded.bits > 0) scatter(index, raw_page, wrong);
  return decoded;
}

void PageCode::decode(MutableByteSpan raw_page, std::span<StepOutcome> outcomes, std::vector<WrongBit>* wrong) {
  assert(raw_page.size() == scheme_.raw_page_bytes() && outcomes.size() == steps());
  if (wrong) {
    wrong->clear();
    wrong->reserve(std::size_t{steps()} * (t_ * symbol_bits() + 8));  // an erased step also mends up to 7 pad bits
  }
  if (!before_.empty()) std::copy(raw_page.begin(), raw_page.end(), before_.begin());
  for (std::size_t i = 0; i < steps(); ++i) outcomes[i] = decode_step(i, raw_page, wrong);
  if (before_.empty() || sharers_agree(raw_page, outcomes)) return;
  // One step's correction is another's error: nothing says which of them is right.
  std::copy(before_.begin(), before_.end(), raw_page.begin());
  if (wrong) wrong->clear();
  for (std::size_t i = 0; i < steps(); ++i)
    outcomes[i] = shares_[i] ? StepOutcome{StepStatus::failed} : decode_step(i, raw_page, wrong);
}

// Whether each step that was decoded is still a codeword after what the others changed. When not, raw_page may be changed further.
bool PageCode::sharers_agree(MutableByteSpan raw_page, std::span<const StepOutcome> outcomes) {
  for (std::size_t i = 0; i < steps(); ++i)
    if (shares_[i] && outcomes[i].status != StepStatus::failed && decode_step(i, raw_page, nullptr).bits != 0) return false;
  return true;
}

void PageCode::encode(MutableByteSpan raw_page) {
  assert(raw_page.size() == scheme_.raw_page_bytes());
  for (std::size_t i = 0; i < steps(); ++i) {
    const Coder& coder = coders_[coder_of_[i]];
    gather(i, raw_page);
    to_code_order();
    if (coder.bch)
      coder.bch->encode(covered_, code_);
    else if (coder.reed_solomon)
      coder.reed_solomon->encode(covered_, code_);
    else
      coder.hamming->encode(covered_, code_);
    to_stored_order();
    scatter(i, raw_page, nullptr);
  }
}

}  // namespace steadycell::ecc
