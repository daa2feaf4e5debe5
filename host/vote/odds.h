#pragma once
#include <cstdint>

namespace steadycell::vote {

// Closed forms of voting. Reads are taken as independent given the cell; correlated noise (slow telegraph noise, a
// loose contact) makes every figure here too good. No vote mends a cell that is wrong on every read.

// P(at least k of n) when each happens with chance p. 1 for k = 0, 0 for k > n.
double binomial_upper_tail(std::uint64_t n, std::uint64_t k, double p);

// Chance that a majority of n reads is wrong when each read is wrong with chance p. For even n a tie keeps the
// first read, which is wrong in half of the ties.
double majority_error(std::uint32_t n, double p);
// Chance that n reads split evenly; 0 for odd n.
double tie_probability(std::uint32_t n, double p);

// P(chi-square with `degrees` of freedom >= x).
double chi_square_upper_tail(double x, std::uint32_t degrees);

}  // namespace steadycell::vote
