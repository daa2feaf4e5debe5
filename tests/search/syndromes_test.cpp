// Reference: ecc/bch.h, itself compared with the kernel and IT++, makes the words.
#include "search/syndromes.h"

#include <gtest/gtest.h>

#include <random>

#include "ecc/bch.h"

namespace steadycell::search {
namespace {

TEST(FitFinder, TellsTAndTheErrorsThatWereNotNeeded) {
  const auto code = ecc::BchCode::make({.m = 13, .t = 8, .polynomial = 0x201B, .data_bits = 4096});
  ASSERT_TRUE(code);
  const ecc::GaloisField field = *ecc::GaloisField::make(13, 0x201B);
  const SyndromeTables tables(field, 20, ecc::BitOrder::msb_first);
  FitFinder finder(field, 20);
  std::mt19937 random(1);
  for (unsigned errors = 0; errors < 8; ++errors)
    for (int round = 0; round < 20; ++round) {
      Bytes word(512 + 13);
      for (auto& byte : word) byte = static_cast<std::uint8_t>(random());
      code->encode(ByteSpan(word).first(512), MutableByteSpan(word).last(13));
      for (unsigned i = 0; i < errors; ++i) {  // in different bytes, so that none undoes another
        auto& byte = word[random() % 64 * 8 + i];
        byte = static_cast<std::uint8_t>(byte ^ 1u << random() % 8);
      }
      Syndromes sum(20, 0);
      tables.add(sum, word, 0);
      const Fit fit = finder.find(sum, 20);
      EXPECT_EQ(fit.t, 8u);
      EXPECT_EQ(fit.zeros, 8 - errors);
    }
}

TEST(FitFinder, RandomSyndromesShowRunsAsOftenAsChanceHasIt) {
  const ecc::GaloisField field = *ecc::GaloisField::make(8, 0x11D);
  FitFinder finder(field, 10);
  std::mt19937 random(2);
  int ones = 0, twos = 0;
  constexpr int kRounds = 20000;
  for (int round = 0; round < kRounds; ++round) {
    Syndromes odd(10);
    for (auto& s : odd) s = static_cast<std::uint16_t>(random() % 256);
    const Fit fit = finder.find(odd, 10);
    ones += fit.zeros >= 1 ? 1 : 0;
    twos += fit.zeros >= 2 ? 1 : 0;
  }
  // Ten discrepancies, each zero with 2^-8: at least one with 1 - (1 - 2^-8)^10 = 0.0384, two in a row with about 9 x 2^-16.
  EXPECT_NEAR(ones, 0.0384 * kRounds, 5 * 27);
  EXPECT_LT(twos, 15);
}

TEST(PrefixSyndromes, DifferencesGiveAnyRangeAnywhere) {
  const ecc::GaloisField field = *ecc::GaloisField::make(13, 0x201B);
  const SyndromeTables tables(field, 6, ecc::BitOrder::lsb_first);
  Bytes page(700);
  std::mt19937 random(3);
  for (auto& byte : page) byte = static_cast<std::uint8_t>(random());
  const std::vector<std::uint32_t> places{100, 250, 700};
  const PrefixSyndromes sums(tables, page, places);
  Syndromes range(6);
  for (std::size_t k = 0; k < 6; ++k) range[k] = static_cast<std::uint16_t>(sums.at(0)[k] ^ sums.at(1)[k]);
  Syndromes alone(6, 0), moved(6, 0);
  tables.add(alone, ByteSpan(page).subspan(100, 150), 0);
  tables.add(moved, ByteSpan(page).subspan(100, 150), 100);
  EXPECT_EQ(range, moved);
  tables.move(moved, -100);
  EXPECT_EQ(moved, alone);
}

TEST(FitFinder, AskedForMoreThanItWasGivenItStaysInside) {
  const ecc::GaloisField field = *ecc::GaloisField::make(8, 0x11D);
  FitFinder finder(field, 3);
  const Syndromes zeros(3, 0);
  EXPECT_EQ(finder.find(zeros, 3).t, 3u);
  EXPECT_EQ(finder.find(zeros, 99).t, 3u);
  EXPECT_EQ(finder.find(std::span(zeros).first(0), 0).zeros, 0u);
}

}  // namespace
}  // namespace steadycell::search
