#pragma once
#include <cstdint>
#include <memory>
#include <span>
#include <vector>

#include "base/bytes.h"
#include "base/result.h"
#include "ecc/scheme.h"

namespace steadycell::ecc {

// `erased`: never written; recognised by at most t zeros in all of data, metadata and code.
enum class StepStatus : std::uint8_t { clean, corrected, failed, erased };

struct StepOutcome {
  StepStatus status = StepStatus::clean;
  std::uint32_t bits = 0;  // changed in the page: corrected, or zeros set to ones in an erased step
};

// Applies a scheme to whole pages. Not thread-safe: each worker has its own.
class PageCode {
 public:
  static Result<PageCode> make(const Scheme& scheme);

  std::size_t steps() const { return scheme_.steps.size(); }
  const Scheme& scheme() const { return scheme_; }
  // Of one step.
  std::uint32_t code_bits() const { return code_bits_; }
  std::uint32_t parity_bits() const { return parity_bits_; }
  std::uint32_t t() const { return t_; }

  // Corrects `raw_page` (page + spare) step by step in place; a failed step keeps its bytes as they are. `outcomes` has
  // one entry a step. Allocates nothing.
  void decode(MutableByteSpan raw_page, std::span<StepOutcome> outcomes);
  // Writes the code bytes of every step from its data and metadata.
  void encode(MutableByteSpan raw_page);

 private:
  explicit PageCode(Scheme scheme) : scheme_(std::move(scheme)) {}
  StepOutcome decode_step(const Step& step, MutableByteSpan raw_page);
  void gather(const Step& step, ByteSpan raw_page);
  void scatter(const Step& step, MutableByteSpan raw_page) const;
  void to_code_order();
  void to_stored_order();
  void reverse_bits();

  Scheme scheme_;
  std::unique_ptr<BchCode> bch_;
  std::unique_ptr<HammingCode> hamming_;
  std::uint32_t code_bits_ = 0, parity_bits_ = 0, t_ = 1;
  Bytes covered_, code_;  // of the step at work, as the code sees it
};

}  // namespace steadycell::ecc
