#pragma once
#include <fmt/format.h>

#include <compare>
#include <cstdint>

namespace steadycell {

// A number with its unit: explicit to make, compared and added only with its own kind, printed with the unit.
template <typename Tag, typename Number>
struct Quantity {
  Number value{};
  constexpr Quantity() = default;
  constexpr explicit Quantity(Number v) : value(v) {}
  friend constexpr auto operator<=>(Quantity, Quantity) = default;
  friend constexpr Quantity operator+(Quantity a, Quantity b) { return Quantity(static_cast<Number>(a.value + b.value)); }
  friend constexpr Quantity operator-(Quantity a, Quantity b) { return Quantity(static_cast<Number>(a.value - b.value)); }
};

struct MillivoltTag { static constexpr const char* unit = " mV"; };
struct MilliampTag { static constexpr const char* unit = " mA"; };
struct MicrocoulombTag { static constexpr const char* unit = " uC"; };
struct NanosecondTag { static constexpr const char* unit = " ns"; };
struct MicrosecondTag { static constexpr const char* unit = " us"; };
struct PassTag { static constexpr const char* unit = ""; };

using Millivolts = Quantity<MillivoltTag, std::int32_t>;
using Milliamps = Quantity<MilliampTag, double>;
using Microcoulombs = Quantity<MicrocoulombTag, double>;
using Nanoseconds = Quantity<NanosecondTag, std::int64_t>;
using Microseconds = Quantity<MicrosecondTag, std::int64_t>;
// Which pass over the chip a read belongs to, counted from 1; the simulated cells see it too.
using PassIndex = Quantity<PassTag, std::uint32_t>;

}  // namespace steadycell

template <typename Tag, typename Number>
struct fmt::formatter<steadycell::Quantity<Tag, Number>> : fmt::formatter<Number> {
  template <typename Context>
  auto format(steadycell::Quantity<Tag, Number> q, Context& ctx) const {
    auto out = fmt::formatter<Number>::format(q.value, ctx);
    return fmt::format_to(out, "{}", Tag::unit);
  }
};
