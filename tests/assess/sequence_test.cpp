#include "assess/sequence.h"

#include <gtest/gtest.h>

#include <random>
#include <string>

#include "assess/content.h"
#include "assess/pages.h"

namespace steadycell::assess {
namespace {

constexpr std::size_t kSize = 1024;

Bytes text(std::size_t size, unsigned seed) {
  static const std::string kWords[] = {"the ", "page ",  "of ",   "what ", "was ", "read ",
                                       "in ",  "spare ", "area ", "and ",  "not. "};
  std::mt19937 random(seed);
  std::string out;
  while (out.size() < size) out += kWords[random() % std::size(kWords)];
  return Bytes(out.begin(), out.begin() + static_cast<std::ptrdiff_t>(size));
}

std::size_t wrong_bytes(ByteSpan a, ByteSpan b) {
  std::size_t wrong = 0;
  for (std::size_t i = 0; i < a.size(); ++i) wrong += a[i] != b[i] ? 1 : 0;
  return wrong;
}

// `zeros`, `texts` and `randoms` pages under one mask.
std::vector<Bytes> pages_under(ByteSpan mask, int zeros, int texts, int randoms) {
  std::vector<Bytes> pages;
  for (int i = 0; i < zeros; ++i) pages.push_back(under(Bytes(kSize, 0), mask));
  for (int i = 0; i < texts; ++i) pages.push_back(under(text(kSize, static_cast<unsigned>(i)), mask));
  for (int i = 0; i < randoms; ++i)
    pages.push_back(under(random_bytes(kSize, 500 + static_cast<unsigned>(i)), mask));
  return pages;
}

TEST(SequenceEstimator, FindsTheMaskOfMixedPages) {
  const Bytes mask = random_bytes(kSize, 1);
  const auto pages = pages_under(mask, 4, 12, 32);
  const std::vector<ByteSpan> spans(pages.begin(), pages.end());
  Bytes sequence(kSize);
  SequenceEstimator().estimate(spans, sequence);
  EXPECT_LT(wrong_bytes(sequence, mask), kSize / 20);
  SequenceEstimator::refine(spans, sequence);
  EXPECT_EQ(wrong_bytes(sequence, mask), 0u) << "pages full of 00 tell every byte";
}

TEST(SequenceEstimator, FindsMostOfTheMaskOfTextAlone) {
  const Bytes mask = random_bytes(kSize, 2);
  const auto pages = pages_under(mask, 0, 48, 0);
  const std::vector<ByteSpan> spans(pages.begin(), pages.end());
  Bytes sequence(kSize);
  SequenceEstimator().estimate(spans, sequence);
  SequenceEstimator::refine(spans, sequence);
  EXPECT_LT(wrong_bytes(sequence, mask), kSize / 100);
}

TEST(SequenceEstimator, LearnsContentsThatAreNotUsual) {
  // Three values that storage seldom holds.
  const Bytes mask = random_bytes(kSize, 3);
  std::vector<Bytes> pages;
  for (unsigned i = 0; i < 40; ++i) {
    Bytes content = random_bytes(kSize, 40 + i);
    for (auto& byte : content) byte = byte < 150 ? 0xB0 : byte < 200 ? 0xB1 : 0xB6;
    pages.push_back(under(content, mask));
  }
  const std::vector<ByteSpan> spans(pages.begin(), pages.end());
  ByteCounts contents;
  for (const Bytes& page : pages) contents.add(under(page, mask));
  SequenceEstimator estimator;
  estimator.learn(contents);
  Bytes sequence(kSize);
  estimator.estimate(spans, sequence);
  EXPECT_LT(wrong_bytes(sequence, mask), kSize / 50);
}

TEST(SequenceEstimator, ASequenceFoundInRandomPagesMakesNoOtherPlainer) {
  const auto pages = pages_under(Bytes(kSize, 0), 0, 0, 64);
  const std::vector<ByteSpan> spans(pages.begin(), pages.begin() + 48);
  Bytes sequence(kSize);
  SequenceEstimator().estimate(spans, sequence);
  SequenceEstimator::refine(spans, sequence);
  Gain gain;
  for (std::size_t i = 48; i < 64; ++i) gain.add(pages[i], under(pages[i], sequence));
  EXPECT_EQ(gain.pages(), 16u);
  EXPECT_EQ(gain.plainer(), 0u);
}

TEST(Gain, CountsPlainerNoisierAndVaried) {
  const Bytes mask = random_bytes(kSize, 4);
  Gain gain;
  gain.add(mask, Bytes(kSize, 0));                           // plainer, one value only
  gain.add(under(text(kSize, 1), mask), text(kSize, 1));     // plainer and varied
  gain.add(text(kSize, 2), under(text(kSize, 2), mask));     // noisier
  gain.add(random_bytes(kSize, 5), random_bytes(kSize, 6));  // neither
  gain.add(text(kSize, 3), Bytes(kSize, 0));                 // was plain before: proves nothing
  EXPECT_EQ(gain.pages(), 5u);
  EXPECT_EQ(gain.plainer(), 2u);
  EXPECT_EQ(gain.varied(), 1u);
  EXPECT_EQ(gain.noisier(), 1u);
  EXPECT_GT(gain.entropy_before(), 7.8);
  EXPECT_LT(gain.entropy_after(), 4);
}

TEST(PlaceCounts, TellsWhitenedBytesFromCodeBytes) {
  PlaceCounts places(96);
  for (unsigned i = 0; i < 200; ++i) {
    Bytes after = text(96, i);
    const Bytes code = random_bytes(8, 900 + i), mask = random_bytes(96, 2000 + i % 16);
    std::copy(code.begin(), code.end(), after.begin() + 64);
    std::fill_n(after.begin() + 80, 8, std::uint8_t{0xFF});
    Bytes before = under(after, mask);
    std::copy(code.begin(), code.end(), before.begin() + 64);
    std::fill_n(before.begin() + 80, 8,
                std::uint8_t{0xFF});  // never whitened: under the mask they would only get worse
    after = under(before, mask);
    places.add(before, after);
  }
  const auto ranges = ranges_of(places.covered());
  EXPECT_EQ(ranges, (std::vector<Range>{{0, 64}, {72, 8}, {88, 8}}));
}

// Eight places of a spare area beside 32 of data, 16 sequences; only the places named are whitened.
TEST(PlaceCounts, TellsPageCountersFromWhitenedBytes) {
  constexpr std::size_t kData = 32, kRaw = kData + 8;
  const auto contents = [](unsigned page) {
    Bytes out = text(kData, page);
    const Bytes noise = random_bytes(1, 500 + page);
    const Bytes spare = {static_cast<std::uint8_t>(page),
                         static_cast<std::uint8_t>(page),
                         0xFF,
                         0xFF,
                         static_cast<std::uint8_t>(255 - page % 16),
                         static_cast<std::uint8_t>(page / 64),
                         noise[0],
                         0};
    out.insert(out.end(), spare.begin(), spare.end());
    return out;
  };
  PlaceCounts places(kRaw, kRaw - kData), unknown(kRaw, kRaw - kData);
  Bytes last;
  for (unsigned page = 0; page < 512; ++page) {
    Bytes before = contents(page);
    const Bytes mask = random_bytes(kRaw, 2000 + page % 16);
    for (std::size_t place = 0; place < kRaw; ++place)
      if (place < kData || place == kData + 3 || place == kData + 5)
        before[place] = static_cast<std::uint8_t>(before[place] ^ mask[place]);
    Bytes found = mask;  // what an estimate says: whatever leaves the likeliest contents
    for (const std::size_t place : {kData, kData + 1}) found[place] = static_cast<std::uint8_t>(page % 16);
    found[kData + 2] = 0xFF;
    found[kData + 4] = static_cast<std::uint8_t>(255 - page % 16);
    const Bytes after = under(before, found);
    places.add(before, after);
    unknown.add(before, after);
    if (!last.empty()) places.add_neighbours(ByteSpan(last).subspan(kData), ByteSpan(before).subspan(kData));
    last = before;
  }
  EXPECT_EQ(ranges_of(places.covered()), (std::vector<Range>{{0, kData}, {kData + 3, 1}, {kData + 5, 1}}));
  EXPECT_EQ(ranges_of(unknown.covered()), (std::vector<Range>{{0, kData}}))
      << "without neighbours nothing is known of the spare area";
}

TEST(PlaceCounts, NothingIsKnownFromOnePage) {
  PlaceCounts places(16);
  places.add(Bytes(16, 1), Bytes(16, 0));
  EXPECT_TRUE(ranges_of(places.covered()).empty());
}

TEST(RepeatOf, IsTheShortestThatAllShare) {
  Bytes every_three, every_six, none = random_bytes(60, 1);
  for (std::uint8_t i = 0; i < 60; ++i) {
    every_three.push_back(i % 3);
    every_six.push_back(i % 6);
  }
  EXPECT_EQ(repeat_of({every_three}), 3u);
  EXPECT_EQ(repeat_of({every_three, {}, every_six}), 6u);
  EXPECT_EQ(repeat_of({every_three, none}), 0u);
  EXPECT_EQ(repeat_of({{}, {}}), 0u);
}

// --- the verdict

Evidence evidence_of(std::uint64_t plain, std::uint64_t flat, std::uint64_t erased = 0) {
  Evidence evidence;
  evidence.pages.by_look[static_cast<std::size_t>(Look::plain)] = plain;
  evidence.pages.by_look[static_cast<std::size_t>(Look::flat)] = flat;
  evidence.pages.by_look[static_cast<std::size_t>(Look::erased)] = erased;
  return evidence;
}

TEST(Judge, GoesByWhatThePagesShow) {
  EXPECT_EQ(judge(evidence_of(0, 0)).content, Content::unsure);
  EXPECT_EQ(judge(evidence_of(0, 0, 100)).content, Content::erased);
  EXPECT_EQ(judge(evidence_of(100, 0, 100)).content, Content::plain);
  EXPECT_EQ(judge(evidence_of(10, 90)).content, Content::plain);
  EXPECT_EQ(judge(evidence_of(5, 95)).content, Content::unsure);
  EXPECT_EQ(judge(evidence_of(0, 100, 900)).content, Content::no_key_found);
  EXPECT_EQ(judge(evidence_of(0, 10)).content, Content::unsure);
  EXPECT_EQ(judge(evidence_of(10, 0)).content, Content::plain);
  EXPECT_EQ(judge(evidence_of(0, 1)).because, "1 written page is too few to judge by");
}

TEST(Judge, ConstantPagesAloneAreSaidToBePerhapsNoContents) {
  Evidence evidence = evidence_of(0, 0, 5);
  evidence.pages.by_look[static_cast<std::size_t>(Look::constant)] = 50;
  EXPECT_EQ(judge(evidence).content, Content::plain);
  EXPECT_NE(judge(evidence).because.find("a bus that nothing drives"), std::string::npos);
  evidence.pages.by_look[static_cast<std::size_t>(Look::plain)] = 1;
  EXPECT_EQ(judge(evidence).because, "51 of 51 written pages are plain by themselves");
}

TEST(Judge, PagesThatCancelUnexplainedAreNotCalledRandom) {
  Evidence evidence = evidence_of(0, 1000);
  evidence.cancellation.pages = {{.apart = 8, .pairs = 1000, .cancelled = 3}};
  EXPECT_EQ(judge(evidence).content, Content::no_key_found);
  evidence.cancellation.pages[0].cancelled = 4;
  EXPECT_EQ(judge(evidence).content, Content::unsure);
  evidence.whitening_borne_out = true;
  EXPECT_EQ(judge(evidence).content, Content::scrambled);
}

TEST(IsBorneOut, AsksForVariedContentsOrARegister) {
  Whitening whitening;
  const Bytes mask = random_bytes(kSize, 8);
  for (int i = 0; i < 20; ++i) whitening.verified.add(mask, Bytes(kSize, 0));
  EXPECT_FALSE(is_borne_out(whitening)) << "the same random page again and again looks so, too";
  Whitening with_register = whitening;
  with_register.shift_register = Register{.feedback = {0x8003}, .restart_bytes = 512};
  EXPECT_TRUE(is_borne_out(with_register));
  for (unsigned i = 0; i < 4; ++i) whitening.verified.add(under(text(kSize, i), mask), text(kSize, i));
  EXPECT_TRUE(is_borne_out(whitening));
  Whitening few;
  for (unsigned i = 0; i < 7; ++i) few.verified.add(under(text(kSize, i), mask), text(kSize, i));
  EXPECT_FALSE(is_borne_out(few));
}

}  // namespace
}  // namespace steadycell::assess
