// Whitening of known period over contents of known kind; shares follow from the share of plain pages.
#include "assess/cancellation.h"

#include <gtest/gtest.h>

#include <functional>
#include <map>
#include <random>

#include "assess/pages.h"

namespace steadycell::assess {
namespace {

constexpr std::uint32_t kPage = 512;

// Blocks of pages, half of them full of 00 and half random, under sequence number sequence_of(block, page).
Cancellation measure(std::uint32_t pages_per_block, std::uint32_t blocks, std::uint32_t most_blocks,
                     const std::function<std::uint32_t(std::uint32_t, std::uint32_t)>& sequence_of) {
  CancellationMeter meter(pages_per_block, most_blocks);
  std::mt19937 random(7);
  for (std::uint32_t block = 0; block < blocks; ++block)
    for (std::uint32_t page = 0; page < pages_per_block; ++page) {
      Bytes bytes = random_bytes(kPage, 1000 + sequence_of(block, page));
      if (random() % 2 == 0) bytes = random_bytes(kPage, static_cast<std::uint32_t>(random()));
      meter.add(block, page, bytes);
    }
  return meter.measure();
}

TEST(Cancels, EqualPagesDoRandomOnesDoNot) {
  const Excerpt a = excerpt_of(random_bytes(kPage, 1)), b = excerpt_of(random_bytes(kPage, 2));
  EXPECT_TRUE(cancels(a, a));
  EXPECT_FALSE(cancels(a, b));
}

TEST(Cancels, OneQuietBitLaneIsEnough) {
  Excerpt a{}, b = excerpt_of(random_bytes(kPage, 3));
  for (auto& word : b) word &= 0x7F7F7F7F7F7F7F7F;  // as the XOR of two texts
  EXPECT_TRUE(cancels(a, b));
  for (auto& word : b) word |= 0x8080808080808080;  // a lane of ones is another sequence
  EXPECT_FALSE(cancels(a, b));
}

TEST(Cancels, TheBorderIs184ZerosOf256) {
  const auto excerpt = [](unsigned ones) {  // `ones` in lane 3, all other lanes full of ones
    Excerpt out{};
    for (unsigned i = 0; i < 256; ++i) {
      out[i / 8] |= std::uint64_t{0xF7} << i % 8 * 8;
      if (i < ones) out[i / 8] |= std::uint64_t{0x08} << i % 8 * 8;
    }
    return out;
  };
  EXPECT_TRUE(cancels(Excerpt{}, excerpt(72)));
  EXPECT_FALSE(cancels(Excerpt{}, excerpt(73)));
}

TEST(ExcerptOf, TakesFourPiecesFromStartToEnd) {
  Bytes page(2048, 0);
  page[0] = 1;
  page[2047] = 2;
  const Excerpt excerpt = excerpt_of(page);
  EXPECT_EQ(excerpt.front(), 1u);
  EXPECT_EQ(excerpt.back(), std::uint64_t{2} << 56);
}

TEST(CancellationMeter, FindsThePeriodInPages) {
  const auto found = measure(32, 12, 6, [](auto, auto page) { return page % 8; });
  EXPECT_EQ(found.period, (Period{.pages = 8, .blocks = 1, .step = 0}));
  for (const Distance& distance : found.pages)
    EXPECT_EQ(distance.cancelled > 0, distance.apart % 8 == 0) << distance.apart;
  EXPECT_NEAR(found.pages[7].share(), 0.25, 0.1);  // both full of 00: a half of a half
}

TEST(CancellationMeter, FindsThePeriodInBlocks) {
  const auto found = measure(8, 60, 20, [](auto block, auto) { return block % 5; });
  EXPECT_EQ(found.period, (Period{.pages = 1, .blocks = 5, .step = 0}));
}

TEST(CancellationMeter, FindsBothTogether) {
  const auto found = measure(16, 60, 20, [](auto block, auto page) { return block % 3 * 4 + page % 4; });
  EXPECT_EQ(found.period, (Period{.pages = 4, .blocks = 3, .step = 0}));
}

TEST(CancellationMeter, WithoutAPeriodInPagesEachPageOfABlockHasItsOwn) {
  const auto found = measure(16, 40, 8, [](auto, auto page) { return page; });
  EXPECT_EQ(found.period, (Period{.pages = 16, .blocks = 1, .step = 0}));
}

TEST(CancellationMeter, SeesSequencesGoOnFromBlockToBlock) {
  const auto found = measure(20, 60, 12, [](auto block, auto page) { return (block * 20 + page) % 12; });
  EXPECT_EQ(found.period, (Period{.pages = 12, .blocks = 1, .step = 8}));
  const auto turned = measure(16, 60, 12, [](auto block, auto page) { return (block + page) % 8; });
  EXPECT_EQ(turned.period, (Period{.pages = 8, .blocks = 1, .step = 1}));
}

TEST(CancellationMeter, FindsNothingWhereNothingComesBack) {
  const auto found = measure(16, 40, 20, [](auto block, auto page) { return block << 8 | page; });
  EXPECT_FALSE(found.period);
  for (const auto* distances : {&found.pages, &found.blocks})
    for (const Distance& distance : *distances) EXPECT_EQ(distance.cancelled, 0u);
  const auto by_block = measure(16, 40, 20, [](auto block, auto) { return block; });
  EXPECT_FALSE(by_block.period) << "pages of a block cancel, but no sequence comes back in another";
  EXPECT_GT(by_block.pages[0].cancelled, 0u);
}

TEST(CancellationMeter, StopsWhenAskedTo) {
  CancellationMeter meter(4, 4);
  for (std::uint32_t i = 0; i < 64; ++i) meter.add(i / 4, i % 4, Bytes(kPage));
  const std::atomic<bool> stop = true;
  const auto found = meter.measure(&stop);
  EXPECT_FALSE(found.period);
  EXPECT_EQ(found.pages[0].pairs, 0u);
}

TEST(Period, NamesTheSequenceOfEachPage) {
  const Period both{.pages = 4, .blocks = 3, .step = 0};
  EXPECT_EQ(both.sequences(), 12u);
  EXPECT_EQ(both.sequence_of(0, 5), 1u);
  EXPECT_EQ(both.sequence_of(7, 2), 6u);
  const Period going_on{.pages = 12, .blocks = 1, .step = 8};  // 20 pages a block
  for (std::uint64_t block = 0; block < 30; ++block)
    for (std::uint32_t page = 0; page < 20; ++page)
      EXPECT_EQ(going_on.sequence_of(block, page), (block * 20 + page) % 12);
}

}  // namespace
}  // namespace steadycell::assess
