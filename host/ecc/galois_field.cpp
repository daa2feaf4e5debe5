#include "ecc/galois_field.h"

namespace steadycell::ecc {

GaloisField::GaloisField(unsigned m, std::uint32_t polynomial)
    : m_(m), polynomial_(polynomial), order_((1u << m) - 1), antilog_(2 * std::size_t{order_} + 1), log_(std::size_t{order_} + 1) {}

Result<GaloisField> GaloisField::make(unsigned m, std::uint32_t polynomial) {
  if (m < 3 || m > 15) return failure(ErrorCode::bad_input_file, "a field GF(2^{}) is not supported: m should be 3 to 15", m);
  if (polynomial >> m != 1)
    return failure(ErrorCode::bad_input_file, "polynomial 0x{:x} should have degree {} for a field GF(2^{})", polynomial, m, m);
  GaloisField field(m, polynomial);
  std::uint32_t element = 1;
  for (std::uint32_t exponent = 0; exponent < field.order_; ++exponent) {
    if (element == 1 && exponent > 0)
      return failure(ErrorCode::bad_input_file, "polynomial 0x{:x} is not primitive: its element has order {} instead of {}", polynomial,
                     exponent, field.order_);
    field.antilog_[exponent] = field.antilog_[exponent + field.order_] = static_cast<std::uint16_t>(element);
    field.log_[element] = static_cast<std::uint16_t>(exponent);
    element <<= 1;
    if (element >> m) element ^= polynomial;
    if (element == 0) return failure(ErrorCode::bad_input_file, "polynomial 0x{:x} is not primitive: it has the factor x", polynomial);
  }
  if (element != 1) return failure(ErrorCode::bad_input_file, "polynomial 0x{:x} is not primitive", polynomial);
  field.antilog_[2 * std::size_t{field.order_}] = field.antilog_[0];
  return field;
}

}  // namespace steadycell::ecc
