#pragma once
#include <array>
#include <cstdint>

namespace steadycell::ecc {

// A primitive polynomial for each field, m 4..15.
inline constexpr std::array<std::uint32_t, 12> kPolynomials = {0x13,  0x25,  0x43,   0x89,   0x11D,  0x211,
                                                               0x409, 0x805, 0x1053, 0x201B, 0x402B, 0x8003};

}  // namespace steadycell::ecc
