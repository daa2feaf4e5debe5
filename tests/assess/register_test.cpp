// Registers written out bit by bit, apart from the code under test.
#include "assess/register.h"

#include <gtest/gtest.h>

#include <random>
#include <string>

#include "assess/pages.h"

namespace steadycell::assess {
namespace {

struct Made {
  std::vector<unsigned> taps;  // s[n] = sum of s[n - tap]
  BitOrder order = BitOrder::msb_first;

  Register whitening(std::uint32_t restart) const {
    Feedback feedback{std::uint64_t{1} << taps[0]};
    for (const unsigned tap : taps) feedback.polynomial |= std::uint64_t{1} << (taps[0] - tap);
    return {.feedback = feedback, .order = order, .restart_bytes = restart};
  }
  Bytes output(std::size_t bytes, std::uint32_t seed) const {
    std::mt19937 random(seed);
    std::vector<bool> bits;
    Bytes out(bytes, 0);
    for (std::size_t n = 0; n < bytes * 8; ++n) {
      bool bit = n < taps[0] ? random() % 2 != 0 : false;
      if (n >= taps[0])
        for (const unsigned tap : taps) bit = bit != bits[n - tap];
      bits.push_back(bit);
      const auto within = n % 8;
      if (bit)
        out[n / 8] =
            static_cast<std::uint8_t>(out[n / 8] | 1u << (order == BitOrder::msb_first ? 7 - within : within));
    }
    return out;
  }
};

const std::vector<Made> kRegisters{
    {{7, 6}}, {{15, 14}, BitOrder::lsb_first}, {{16, 14, 13, 11}}, {{23, 18}, BitOrder::lsb_first}, {{63, 62}}};

Bytes text(std::size_t size) {
  std::string out;
  std::mt19937 random(5);
  while (out.size() < size)
    out += std::string(1 + random() % 3, static_cast<char>('a' + random() % 26)) + (random() % 4 == 0 ? ". " : "");
  return Bytes(out.begin(), out.begin() + static_cast<std::ptrdiff_t>(size));
}

TEST(Follow, FromARunOfZerosAnywhereToBothEnds) {
  for (const Made& made : kRegisters)
    for (const std::size_t at : {0u, 300u, 496u}) {
      const Bytes mask = made.output(512, 9);
      Bytes content = random_bytes(512, 4), sequence(512);
      std::fill_n(content.begin() + static_cast<std::ptrdiff_t>(at), 16,
                  std::uint8_t{0});  // 128 bits: 63 stages and 64 more
      ASSERT_TRUE(follow(made.whitening(512), under(content, mask), sequence)) << made.taps[0] << ' ' << at;
      EXPECT_EQ(sequence, mask);
    }
}

TEST(Follow, ARunOfOnesIsContentFF) {
  for (const Made& made : kRegisters) {
    const Bytes mask = made.output(512, 10);
    Bytes content = random_bytes(512, 4), sequence(512);
    std::fill_n(content.begin() + 100, 16, std::uint8_t{0xFF});
    ASSERT_TRUE(follow(made.whitening(512), under(content, mask), sequence));
    EXPECT_EQ(sequence, mask);
  }
}

TEST(Follow, TextHasOneQuietBitAByte) {
  for (const Made& made : kRegisters) {
    const Bytes mask = made.output(512, 11);
    Bytes content = random_bytes(512, 4), sequence(512);
    const Bytes words = text(200);
    std::copy(words.begin(), words.end(), content.begin() + 150);
    ASSERT_TRUE(follow(made.whitening(512), under(content, mask), sequence)) << made.taps[0];
    EXPECT_EQ(sequence, mask);
  }
}

TEST(Follow, RandomContentGivesNoHold) {
  for (const Made& made : kRegisters)
    for (unsigned seed = 0; seed < 50; ++seed) {
      Bytes sequence(512, 1);
      EXPECT_FALSE(follow(made.whitening(512), random_bytes(512, 100 + seed), sequence));
      EXPECT_EQ(sequence, Bytes(512, 0));
    }
}

TEST(Follow, WhatIsNotWhitenedHasAZeroSequence) {
  for (const Made& made : kRegisters)
    for (const std::uint8_t fill : {std::uint8_t{0}, std::uint8_t{0xFF}}) {
      Bytes content = random_bytes(512, 6), sequence(512);
      std::fill_n(content.begin() + 40, 30, fill);
      EXPECT_TRUE(follow(made.whitening(512), content, sequence));
      EXPECT_EQ(sequence, Bytes(512, 0));
    }
}

TEST(Follow, APieceShorterThanTheRegisterIsLeft) {
  Bytes sequence(4);
  EXPECT_FALSE(follow(kRegisters[4].whitening(4), Bytes(4, 0), sequence));
}

TEST(FollowPage, PiecesStandAlone) {
  const Made made{{15, 14}};
  Bytes page, mask;
  for (unsigned piece = 0; piece < 4; ++piece) {
    const Bytes part = made.output(512, 20 + piece);
    mask.insert(mask.end(), part.begin(), part.end());
    const Bytes content = piece == 2 ? random_bytes(512, 8) : Bytes(512, 0);
    const Bytes stored = under(content, part);
    page.insert(page.end(), stored.begin(), stored.end());
  }
  Bytes sequence(2048);
  EXPECT_EQ(follow_page(made.whitening(512), page, sequence), 3 * 512u);
  std::fill_n(mask.begin() + 1024, 512, std::uint8_t{0});
  EXPECT_EQ(sequence, mask);
}

TEST(FindRegister, PolynomialOrderAndRestart) {
  for (const Made& made : kRegisters)
    for (const std::uint32_t restart : {512u, 2048u}) {
      std::vector<Bytes> pages;
      for (unsigned i = 0; i < 24; ++i) {
        Bytes page;
        for (unsigned piece = 0; piece < 2048 / restart; ++piece) {
          const Bytes part = made.output(restart, 100 * i + piece);
          page.insert(page.end(), part.begin(), part.end());
        }
        Bytes content = i % 3 == 0   ? random_bytes(2048, i)
                        : i % 3 == 1 ? text(2048)
                                     : Bytes(2048, i % 2 == 0 ? 0 : 0xFF);
        pages.push_back(under(std::move(content), page));
      }
      const auto found = find_register(pages);
      ASSERT_TRUE(found) << made.taps[0];
      EXPECT_EQ(*found, made.whitening(restart)) << made.taps[0] << ' ' << found->restart_bytes;
    }
}

TEST(FindRegister, NoneInRandomPlainAndPeriodicPages) {
  std::vector<Bytes> random, words, periodic, counters;
  for (unsigned i = 0; i < 64; ++i) {
    random.push_back(random_bytes(2048, i));
    words.push_back(text(2048));
    Bytes page(2048), counter(2048);
    const Bytes pattern = random_bytes(3 + i % 29, i);
    for (std::size_t at = 0; at < page.size(); ++at) {
      page[at] = pattern[at % pattern.size()];
      counter[at] = static_cast<std::uint8_t>(i % 2 == 0 ? at + i : (at / 4 + i) >> at % 4 * 8);
    }
    periodic.push_back(page);
    counters.push_back(counter);
  }
  for (const auto* pages : {&random, &words, &periodic, &counters}) EXPECT_FALSE(find_register(*pages));
}

TEST(FindRegister, NothingFromNoPages) {
  EXPECT_FALSE(find_register({}));
}

}  // namespace
}  // namespace steadycell::assess
