#include "ecc/reed_solomon.h"

#include <algorithm>
#include <bit>
#include <cassert>

namespace steadycell::ecc {
namespace {

constexpr unsigned kMaxT = 72;

// Reads symbols of `width` bits, most significant first; zeros behind the end.
class SymbolReader {
 public:
  SymbolReader(ByteSpan bytes, unsigned width) : bytes_(bytes), width_(width) {}
  std::uint16_t next() {
    while (held_ < width_) {
      window_ = window_ << 8 | (at_ < bytes_.size() ? bytes_[at_] : 0u);
      ++at_;
      held_ += 8;
    }
    held_ -= width_;
    return static_cast<std::uint16_t>(window_ >> held_ & ((1u << width_) - 1));
  }

 private:
  ByteSpan bytes_;
  unsigned width_, held_ = 0;
  std::uint32_t window_ = 0;
  std::size_t at_ = 0;
};

// XORs `value` into symbol `index` of `bytes`; bits behind the end must be zero.
void add_symbol(MutableByteSpan bytes, unsigned width, std::uint32_t index, std::uint32_t value) {
  for (unsigned bit = 0; bit < width; ++bit) {
    if ((value >> (width - 1 - bit) & 1u) == 0) continue;
    const std::size_t at = std::size_t{index} * width + bit;
    bytes[at / 8] = static_cast<std::uint8_t>(bytes[at / 8] ^ (0x80u >> at % 8));
  }
}

}  // namespace

ReedSolomonWorkspace::ReedSolomonWorkspace(const ReedSolomonCode& code)
    : symbols(code.code_symbols()),
      syndromes(code.parity_symbols()),
      locator(code.parity_symbols() + 1),
      previous(locator.size()),
      saved(locator.size()),
      evaluator(code.parity_symbols()) {
  places.reserve(code.t());
}

ReedSolomonCode::ReedSolomonCode(GaloisField field, const ReedSolomonShape& shape)
    : field_(std::move(field)), shape_(shape), generator_{1} {
  for (std::uint32_t i = 0; i < parity_symbols(); ++i) {
    const std::uint32_t root = field_.power((shape.first_root + i) % field_.order());
    generator_.push_back(0);
    for (std::size_t k = generator_.size(); k-- > 1;)
      generator_[k] = static_cast<std::uint16_t>(generator_[k] ^ field_.multiply(generator_[k - 1], root));
  }
}

Result<ReedSolomonCode> ReedSolomonCode::make(const ReedSolomonShape& shape) {
  const auto refuse = [](std::string what) { return failure(Error(ErrorCode::bad_input_file, std::move(what))); };
  const unsigned bits = shape.symbol_bits;
  if (bits < 8 || bits > 12)
    return refuse(fmt::format("Reed-Solomon with {} bits a symbol is not supported: it should be 8 to 12", bits));
  if (shape.t < 1 || shape.t > kMaxT)
    return refuse(fmt::format("Reed-Solomon with t = {} is not supported: t should be 1 to {}", shape.t, kMaxT));
  if (shape.data_bits < 1) return refuse("a Reed-Solomon step should have data");
  auto field = GaloisField::make(bits, shape.polynomial);
  if (!field) return failure(field.error());
  if (shape.first_root >= field->order())
    return refuse(fmt::format("Reed-Solomon with first root {}: it should be below {}", shape.first_root, field->order()));
  const std::uint64_t symbols = (std::uint64_t{shape.data_bits} + bits - 1) / bits + 2 * shape.t;
  if (symbols > field->order())
    return refuse(fmt::format("Reed-Solomon with {} bits a symbol, t = {}: {} symbols are more than the code's {}", bits, shape.t,
                              symbols, field->order()));
  return ReedSolomonCode(std::move(*field), shape);
}

void ReedSolomonCode::encode(ByteSpan data, MutableByteSpan parity) const {
  assert(data.size() == data_bytes() && parity.size() == parity_bytes());
  std::vector<std::uint16_t> r(parity_symbols(), 0);  // the remainder, highest power first
  SymbolReader reader(data, symbol_bits());
  for (std::uint32_t i = 0; i < data_symbols(); ++i) {
    const std::uint32_t feedback = reader.next() ^ r.front();
    for (std::size_t k = 0; k < r.size(); ++k)
      r[k] = static_cast<std::uint16_t>((k + 1 < r.size() ? r[k + 1] : 0u) ^ field_.multiply(feedback, generator_[k + 1]));
  }
  std::fill(parity.begin(), parity.end(), std::uint8_t{0});
  for (std::uint32_t k = 0; k < r.size(); ++k) add_symbol(parity, symbol_bits(), k, r[k]);
}

bool ReedSolomonCode::find_syndromes(ReedSolomonWorkspace& work) const {
  bool any = false;
  for (std::uint32_t i = 0; i < parity_symbols(); ++i) {
    const std::uint32_t root = (shape_.first_root + i) % field_.order();
    std::uint32_t sum = 0;
    for (const std::uint16_t symbol : work.symbols) sum = (sum == 0 ? 0u : field_.power(field_.log(sum) + root)) ^ symbol;
    work.syndromes[i] = static_cast<std::uint16_t>(sum);
    any |= sum != 0;
  }
  return any;
}

// Massey, IEEE Trans. Information Theory 15 (1969), from memory.
unsigned ReedSolomonCode::find_locator(ReedSolomonWorkspace& work) const {
  std::fill(work.locator.begin(), work.locator.end(), std::uint16_t{0});
  work.locator[0] = 1;
  work.previous = work.locator;
  unsigned length = 0, gap = 1;  // of the shift register; steps since `previous` was the locator
  std::uint32_t previous_discrepancy = 1;
  for (unsigned n = 0; n < parity_symbols(); ++n) {
    std::uint32_t discrepancy = work.syndromes[n];
    for (unsigned i = 1; i <= length; ++i) discrepancy ^= field_.multiply(work.locator[i], work.syndromes[n - i]);
    if (discrepancy != 0) {
      const std::uint32_t factor = field_.divide(discrepancy, previous_discrepancy);
      const bool longer = 2 * length <= n;
      if (longer) work.saved = work.locator;
      for (std::size_t i = gap; i < work.locator.size(); ++i)
        work.locator[i] = static_cast<std::uint16_t>(work.locator[i] ^ field_.multiply(factor, work.previous[i - gap]));
      if (longer) {
        length = n + 1 - length;
        work.previous = work.saved;
        previous_discrepancy = discrepancy;
        gap = 0;
      }
    }
    ++gap;
  }
  return length <= t() && work.locator[length] != 0 ? length : 0;
}

// Chien search (IEEE Trans. Information Theory 10, 1964; from memory), only over the places that the shortened code has.
bool ReedSolomonCode::find_places(ReedSolomonWorkspace& work, unsigned degree) const {
  work.places.clear();
  for (std::uint32_t place = 0; place < code_symbols() && work.places.size() < degree; ++place) {
    std::uint32_t sum = 1;
    for (unsigned i = 1; i <= degree; ++i)
      if (work.locator[i] != 0)
        sum ^= field_.power(field_.log(work.locator[i]) +
                            static_cast<std::uint32_t>((field_.order() - place) * std::uint64_t{i} % field_.order()));
    if (sum == 0) work.places.push_back(place);
  }
  return work.places.size() == degree;
}

// Forney, IEEE Trans. Information Theory 11 (1965), from memory: X^(1-b) W(1/X) / L'(1/X), W = S L modulo x^2t.
std::uint32_t ReedSolomonCode::error_at(const ReedSolomonWorkspace& work, std::uint32_t place, unsigned degree) const {
  const std::uint64_t order = field_.order(), inverse = (order - place) % order;
  const auto times_power = [&](std::uint32_t value, std::uint64_t exponent) {
    return value == 0 ? 0u : field_.power(field_.log(value) + static_cast<std::uint32_t>(exponent % order));
  };
  std::uint32_t above = 0, below = 0;
  for (unsigned i = 0; i < degree; ++i) above ^= times_power(work.evaluator[i], inverse * i);
  for (unsigned i = 1; i <= degree; i += 2) below ^= times_power(work.locator[i], inverse * (i - 1));
  if (below == 0) return 0;
  return times_power(field_.divide(above, below), std::uint64_t{place} + inverse * shape_.first_root);
}

ReedSolomonDecoded ReedSolomonCode::decode(MutableByteSpan data, MutableByteSpan parity, ReedSolomonWorkspace& work) const {
  assert(data.size() == data_bytes() && parity.size() == parity_bytes());
  SymbolReader from_data(data, symbol_bits()), from_parity(parity, symbol_bits());
  for (std::uint32_t i = 0; i < code_symbols(); ++i)
    work.symbols[i] = i < data_symbols() ? from_data.next() : from_parity.next();
  if (!find_syndromes(work)) return {};
  const ReedSolomonDecoded failed{DecodeStatus::failed, 0, 0};
  const unsigned degree = find_locator(work);
  if (degree == 0 || !find_places(work, degree)) return failed;
  for (unsigned i = 0; i < degree; ++i) {
    std::uint32_t sum = 0;
    for (unsigned k = 0; k <= i; ++k) sum ^= field_.multiply(work.locator[k], work.syndromes[i - k]);
    work.evaluator[i] = static_cast<std::uint16_t>(sum);
  }
  // The bits that fill up the last data symbol are known to be zero: an error there is none.
  const std::uint32_t fill = data_symbols() * symbol_bits() - shape_.data_bits;
  for (const std::uint32_t place : work.places) {
    const std::uint32_t error = error_at(work, place, degree), at = code_symbols() - 1 - place;
    if (error == 0 || (at + 1 == data_symbols() && (error & ((1u << fill) - 1)) != 0)) return failed;
  }
  ReedSolomonDecoded decoded{DecodeStatus::corrected, degree, 0};
  for (const std::uint32_t place : work.places) {
    const std::uint32_t error = error_at(work, place, degree), at = code_symbols() - 1 - place;
    decoded.bits += static_cast<std::uint32_t>(std::popcount(error));
    if (at < data_symbols())
      add_symbol(data, symbol_bits(), at, error);
    else
      add_symbol(parity, symbol_bits(), at - data_symbols(), error);
  }
  return decoded;
}

}  // namespace steadycell::ecc
