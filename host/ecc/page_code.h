#pragma once
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "base/bytes.h"
#include "base/result.h"
#include "ecc/bch.h"
#include "ecc/hamming.h"
#include "ecc/reed_solomon.h"
#include "ecc/scheme.h"

namespace steadycell::ecc {

// `erased`: never written; recognised by at most t zeros in all of data, metadata and code.
enum class StepStatus : std::uint8_t { clean, corrected, failed, erased };

struct StepOutcome {
  StepStatus status = StepStatus::clean;
  std::uint32_t bits = 0;  // changed in the page: corrected, or zeros set to ones in an erased step
  std::uint32_t symbols = 0;  // of a Reed-Solomon code that were corrected; 0 with binary codes
  // What counts against t.
  std::uint32_t errors() const { return symbols > 0 ? symbols : bits; }
  friend bool operator==(const StepOutcome&, const StepOutcome&) = default;
};

// One bit that decoding changed, as it stood before: the error's direction. A one where a zero is right is charge lost (in
// single-level cells), a zero where a one is right is disturb or interference.
struct WrongBit {
  std::uint32_t offset = 0;   // byte in page + spare
  std::uint8_t bit = 0;       // 0 = least significant = I/O line 0 of an 8-bit bus
  bool read_as_one = false;
  friend bool operator==(const WrongBit&, const WrongBit&) = default;
};

// Applies a scheme to whole pages.
class PageCode {
 public:
  static Result<PageCode> make(const Scheme& scheme);
  // A second one for another thread, sharing the tables. One PageCode must not be used by two threads at once.
  PageCode for_another_thread() const;

  std::size_t steps() const { return scheme_.steps.size(); }
  const Scheme& scheme() const { return scheme_; }
  // Of one step; where steps differ in metadata, of the largest, which every bound on odds allows.
  std::uint32_t code_bits() const { return code_bits_; }  // protected and parity, pad bits not counted
  // Independent checks: a random word of code_bits() is a codeword with probability 2^-check_bits().
  std::uint32_t check_bits() const { return check_bits_; }
  std::uint32_t t() const { return t_; }
  // What t counts: bits, or with Reed-Solomon symbols of this many bits.
  std::uint32_t symbol_bits() const { return symbol_bits_; }
  std::uint32_t code_symbols() const { return code_symbols_; }

  // Corrects `raw_page` (page + spare) step by step in place; a failed step keeps its bytes as they are. `outcomes` has
  // one entry a step. Steps that share bytes fail together when no one value of these suits them all. `wrong`, if not null, gets the
  // changed bits, step after step, in place of what it held (it grows to at most what one page needs; nothing else is allocated).
  void decode(MutableByteSpan raw_page, std::span<StepOutcome> outcomes, std::vector<WrongBit>* wrong = nullptr);
  // Writes the code bytes of every step from its data and metadata.
  void encode(MutableByteSpan raw_page);

 private:
  // The code of steps of one size, with its workspace.
  struct Coder {
    explicit Coder(BchCode code) : bch(std::move(code)), workspace(*bch) {}
    explicit Coder(ReedSolomonCode code) : reed_solomon(std::move(code)), reed_solomon_workspace(*reed_solomon) {}
    explicit Coder(HammingCode code) : hamming(code) {}
    std::optional<BchCode> bch;
    std::optional<BchWorkspace> workspace;
    std::optional<ReedSolomonCode> reed_solomon;
    std::optional<ReedSolomonWorkspace> reed_solomon_workspace;
    std::optional<HammingCode> hamming;
  };

  PageCode(Scheme scheme, std::vector<Coder> coders, std::vector<std::size_t> coder_of);
  StepOutcome decode_gathered(Coder& coder);
  bool sharers_agree(MutableByteSpan raw_page, std::span<const StepOutcome> outcomes);
  StepOutcome decode_step(std::size_t index, MutableByteSpan raw_page, std::vector<WrongBit>* wrong);
  void gather(std::size_t index, ByteSpan raw_page);
  void scatter(std::size_t index, MutableByteSpan raw_page, std::vector<WrongBit>* wrong) const;
  void to_code_order();
  void to_stored_order();
  void apply_mask();
  void reverse_bits();

  Scheme scheme_;
  std::vector<Coder> coders_;          // one for each size of step
  std::vector<std::size_t> coder_of_;  // of each step
  std::uint32_t code_bits_ = 0, check_bits_ = 0, t_ = 1, symbol_bits_ = 1, code_symbols_ = 0;
  Bytes covered_, code_;  // of the step at work; they never grow beyond the largest step
  std::vector<bool> shares_;  // of each step: whether another covers some of its bytes, too
  Bytes before_;              // the page as it came, where steps share bytes
};

}  // namespace steadycell::ecc
