#include "vote/odds.h"

#include <boost/math/special_functions/beta.hpp>
#include <boost/math/special_functions/binomial.hpp>
#include <boost/math/special_functions/gamma.hpp>
#include <cassert>
#include <cmath>

namespace steadycell::vote {

double binomial_upper_tail(std::uint64_t n, std::uint64_t k, double p) {
  assert(p >= 0 && p <= 1);
  if (k == 0) return 1;
  if (k > n) return 0;
  // P(X >= k) is the regularised incomplete beta function I_p(k, n-k+1).
  return boost::math::ibeta(static_cast<double>(k), static_cast<double>(n - k + 1), p);
}

double tie_probability(std::uint32_t n, double p) {
  if (n % 2 != 0) return 0;
  return boost::math::binomial_coefficient<double>(n, n / 2) * std::pow(p * (1 - p), n / 2);
}

double majority_error(std::uint32_t n, double p) {
  return binomial_upper_tail(n, n / 2 + 1, p) + tie_probability(n, p) / 2;
}

double chi_square_upper_tail(double x, std::uint32_t degrees) {
  assert(x >= 0 && degrees > 0);
  return boost::math::gamma_q(degrees / 2.0, x / 2);
}

}  // namespace steadycell::vote
