#include "ecc/page_code.h"

#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include <algorithm>
#include <random>
#include <set>

#include "files.h"

namespace steadycell::ecc {
namespace {

// Two steps that cross the border between page and spare area, metadata shared by both, code in pieces.
Scheme scattered(BitOrder order, const Bytes& mask, ErasedAs erased = ErasedAs::all_ff) {
  Scheme scheme;
  scheme.m = 13;
  scheme.t = 4;
  scheme.polynomial = 0x201B;
  scheme.bit_order = order;
  scheme.page_bytes = 1024;
  scheme.spare_bytes = 64;
  scheme.mask = mask;
  scheme.erased = erased;
  scheme.steps = {{.data = {{0, 300}, {400, 212}}, .metadata = {{1060, 4}}, .code = {{300, 5}, {1070, 2}}},
                  {.data = {{612, 400}, {1020, 20}, {305, 92}}, .metadata = {{1060, 4}}, .code = {{1072, 7}}}};
  return scheme;
}

Bytes random_page(const Scheme& scheme, std::uint32_t seed) {
  std::mt19937 random(seed);
  Bytes page(scheme.raw_page_bytes());
  for (auto& byte : page) byte = static_cast<std::uint8_t>(random());
  return page;
}

void flip(Bytes& page, std::uint32_t offset, unsigned bit) { page[offset] = static_cast<std::uint8_t>(page[offset] ^ (1u << bit)); }

class PageCodeLayouts : public testing::TestWithParam<std::tuple<BitOrder, bool>> {
 protected:
  Bytes mask = std::get<1>(GetParam()) ? *parse_hex("2813cc3996ac7f") : Bytes{};
  Scheme scheme = scattered(std::get<0>(GetParam()), mask);
  PageCode code = PageCode::make(parse_scheme(pretty(scheme)).value()).value();
  std::vector<StepOutcome> outcomes = std::vector<StepOutcome>(2);
};

TEST_P(PageCodeLayouts, EncodedPagesAreCleanAndErrorsComeBackWhereTheyWere) {
  Bytes page = random_page(scheme, 1);
  code.encode(page);
  const Bytes right = page;
  code.decode(page, outcomes);
  EXPECT_EQ(outcomes, (std::vector<StepOutcome>{{StepStatus::clean, 0}, {StepStatus::clean, 0}}));
  EXPECT_EQ(page, right);

  const std::vector<std::pair<std::uint32_t, unsigned>> places{{0, 7}, {611, 0}, {304, 3}, {1070, 6}, {1039, 2}, {1072, 1}, {396, 5}};
  for (const auto& [offset, bit] : places) flip(page, offset, bit);
  flip(page, 1045, 4);  // outside every step
  const Bytes read = page;
  std::vector<WrongBit> wrong;
  code.decode(page, outcomes, &wrong);
  EXPECT_EQ(outcomes, (std::vector<StepOutcome>{{StepStatus::corrected, 4}, {StepStatus::corrected, 3}}));
  Bytes expected = right;
  flip(expected, 1045, 4);
  EXPECT_EQ(page, expected);
  std::set<std::pair<std::uint32_t, unsigned>> found;
  for (const WrongBit& bit : wrong) {
    found.insert({bit.offset, bit.bit});
    EXPECT_EQ(bit.read_as_one, (read[bit.offset] >> bit.bit & 1) != 0);
  }
  EXPECT_EQ(found, (std::set<std::pair<std::uint32_t, unsigned>>(places.begin(), places.end())));
  EXPECT_EQ(wrong.size(), places.size());
}

// As when a scheme takes bytes for shared that belong to one step only: each step alone would call its own reading of them right.
TEST_P(PageCodeLayouts, StepsThatWantDifferentBytesInOnePlaceFailTogether) {
  for (const bool first_is_odd : {true, false}) {
    Bytes page = random_page(scheme, 3);
    code.encode(page);
    Bytes other = page;
    for (const unsigned bit : {0u, 1u, 2u}) flip(other, 1060, bit);
    code.encode(other);
    for (const Range& range : scheme.steps[first_is_odd ? 0 : 1].code)
      std::copy_n(other.begin() + range.offset, range.length, page.begin() + range.offset);
    const Bytes read = page;
    std::vector<WrongBit> wrong;
    code.decode(page, outcomes, &wrong);
    EXPECT_EQ(outcomes, (std::vector<StepOutcome>{{StepStatus::failed}, {StepStatus::failed}}));
    EXPECT_EQ(page, read);
    EXPECT_TRUE(wrong.empty());
  }
}

TEST_P(PageCodeLayouts, AFailedStepKeepsItsBytesWhileTheOtherIsMended) {
  Bytes page = random_page(scheme, 2);
  code.encode(page);
  const Bytes right = page;
  for (std::uint32_t i = 0; i < 20; ++i) flip(page, 11 * i, i % 8);
  flip(page, 700, 0);
  Bytes expected = page;
  flip(expected, 700, 0);
  code.decode(page, outcomes);
  EXPECT_EQ(outcomes, (std::vector<StepOutcome>{{StepStatus::failed, 0}, {StepStatus::corrected, 1}}));
  EXPECT_EQ(page, expected);
}

TEST_P(PageCodeLayouts, ASharedMetadataBitIsMendedOnceAndHelpsTheNextStep) {
  Bytes page = random_page(scheme, 3);
  code.encode(page);
  const Bytes right = page;
  flip(page, 1061, 3);
  code.decode(page, outcomes);
  EXPECT_EQ(outcomes, (std::vector<StepOutcome>{{StepStatus::corrected, 1}, {StepStatus::clean, 0}}));
  EXPECT_EQ(page, right);
}

TEST_P(PageCodeLayouts, ErasedIsAtMostTZerosInAllOfDataMetadataAndCode) {
  Bytes page(scheme.raw_page_bytes(), 0xFF);
  for (const auto& [offset, bit] : {std::pair{5u, 1u}, {410u, 2u}, {1070u, 7u}}) flip(page, offset, bit);  // step 0: three
  flip(page, 1062, 0);                                                                                       // both: metadata
  std::vector<WrongBit> wrong;
  code.decode(page, outcomes, &wrong);
  EXPECT_EQ(outcomes, (std::vector<StepOutcome>{{StepStatus::erased, 4}, {StepStatus::erased, 0}}));
  EXPECT_EQ(page, Bytes(scheme.raw_page_bytes(), 0xFF));
  EXPECT_EQ(wrong.size(), 4u);
  for (const WrongBit& bit : wrong) EXPECT_FALSE(bit.read_as_one);
}

INSTANTIATE_TEST_SUITE_P(All, PageCodeLayouts,
                         testing::Combine(testing::Values(BitOrder::msb_first, BitOrder::lsb_first), testing::Bool()));

TEST(PageCode, MoreThanTZerosIsNoErasedStepWithoutAMask) {
  const Scheme scheme = scattered(BitOrder::msb_first, {});
  PageCode code = PageCode::make(scheme).value();
  Bytes page(scheme.raw_page_bytes(), 0xFF);
  for (std::uint32_t i = 0; i < 5; ++i) flip(page, 10 * i, 0);
  const Bytes read = page;
  std::vector<StepOutcome> outcomes(2);
  code.decode(page, outcomes);
  EXPECT_EQ(outcomes[0], (StepOutcome{StepStatus::failed, 0})) << "all FF is no codeword of this code";
  EXPECT_EQ(outcomes[1].status, StepStatus::erased);
  EXPECT_EQ(page, read);
}

// lsb_first is defined by reversing the bits of each byte before the msb_first rules, with the mask as stored.
TEST(PageCode, LsbFirstIsMsbFirstOverReversedBytes) {
  const auto reverse = [](Bytes page) {
    for (auto& byte : page) {
      unsigned out = 0;
      for (unsigned bit = 0; bit < 8; ++bit) out |= (byte >> bit & 1u) << (7 - bit);
      byte = static_cast<std::uint8_t>(out);
    }
    return page;
  };
  const Scheme msb = scattered(BitOrder::msb_first, {}), lsb = scattered(BitOrder::lsb_first, {});
  Bytes page = random_page(msb, 4), mirrored = reverse(page);
  PageCode::make(msb)->encode(page);
  PageCode::make(lsb)->encode(mirrored);
  EXPECT_EQ(mirrored, reverse(page));
  const Bytes mask = *parse_hex("0123456789abcd");
  Bytes masked = reverse(random_page(msb, 4));
  PageCode::make(scattered(BitOrder::lsb_first, mask))->encode(masked);
  const std::vector<std::uint32_t> code_bytes{300, 301, 302, 303, 304, 1070, 1071};
  for (std::size_t i = 0; i < 7; ++i) EXPECT_EQ(masked[code_bytes[i]], mirrored[code_bytes[i]] ^ mask[i]);
}

TEST(PageCode, ASecondOneForAnotherThreadDoesTheSame) {
  const Scheme scheme = scattered(BitOrder::msb_first, {});
  PageCode code = PageCode::make(scheme).value(), other = code.for_another_thread();
  Bytes page = random_page(scheme, 5), again = page;
  code.encode(page);
  other.encode(again);
  EXPECT_EQ(page, again);
  EXPECT_EQ(other.code_bits(), code.code_bits());
  EXPECT_EQ(other.check_bits(), 52u);
}

// Whatever is read, decoding touches only the steps' bytes, and what it calls right encodes to itself.
RC_GTEST_PROP(PageCode, WhatIsCalledRightIsACodeword, ()) {
  const Scheme scheme = test_scheme(*rc::gen::elementOf(std::vector<std::string>{"bch2-2k", "bch4-2k", "hamming-2k", "hamming-512"}));
  PageCode code = PageCode::make(scheme).value();
  Bytes page = random_page(scheme, *rc::gen::arbitrary<std::uint32_t>());
  code.encode(page);
  std::mt19937 random(*rc::gen::arbitrary<std::uint32_t>());
  for (unsigned flips = *rc::gen::inRange(0u, 20u); flips > 0; --flips)
    flip(page, static_cast<std::uint32_t>(random() % page.size()), static_cast<unsigned>(random() % 8));
  const Bytes read = page;
  std::vector<StepOutcome> outcomes(code.steps());
  code.decode(page, outcomes);
  Bytes encoded = page;
  code.encode(encoded);
  std::vector<std::uint8_t> covered(page.size());
  for (std::size_t step = 0; step < code.steps(); ++step) {
    bool same = true;
    const auto& code_ranges = scheme.steps[step].code;
    std::uint32_t left = scheme.steps[step].code_bytes();
    for (const auto* ranges : {&scheme.steps[step].data, &code_ranges})
      for (const Range& range : *ranges)
        for (std::uint32_t i = range.offset; i < range.offset + range.length; ++i) {
          covered[i] = 1;
          const bool last = ranges == &code_ranges && --left == 0;
          const unsigned pad = !last                              ? 0
                               : scheme.code == CodeKind::hamming ? 0x03u
                                                                  : (1u << (8 * scheme.steps[step].code_bytes() - code.check_bits())) - 1;
          same = same && ((page[i] ^ encoded[i]) & ~pad & 0xFFu) == 0;
        }
    RC_ASSERT(same == (outcomes[step].status != StepStatus::failed));
  }
  for (std::size_t i = 0; i < page.size(); ++i)
    if (!covered[i]) RC_ASSERT(page[i] == read[i]);
}

// Against the plain code over bytes put one behind the other by hand.
TEST(PageCode, MetadataOfOneStepStandBeforeOrBehindItsData) {
  for (const auto place : {MetadataPlace::after_data, MetadataPlace::before_data}) {
    Scheme scheme;
    scheme.m = 13;
    scheme.t = 4;
    scheme.polynomial = 0x201B;
    scheme.metadata_place = place;
    scheme.page_bytes = 1024;
    scheme.spare_bytes = 32;
    scheme.erased = ErasedAs::all_ff;
    scheme.steps = {{.data = {{0, 512}}, .metadata = {{1026, 6}}, .code = {{1034, 7}}},
                    {.data = {{512, 512}}, .metadata = {}, .code = {{1041, 7}}}};
    auto code = PageCode::make(scheme);
    ASSERT_TRUE(code);
    EXPECT_EQ(code->code_bits(), 518u * 8 + 52);
    Bytes page = random_page(scheme, 4);
    code->encode(page);
    const auto part = [&](std::size_t offset, std::size_t length) {
      return Bytes(page.begin() + static_cast<std::ptrdiff_t>(offset), page.begin() + static_cast<std::ptrdiff_t>(offset + length));
    };
    for (std::size_t step = 0; step < 2; ++step) {
      Bytes word = part(512 * step, 512);
      const Bytes metadata = step == 0 ? part(1026, 6) : Bytes();
      word.insert(place == MetadataPlace::before_data ? word.begin() : word.end(), metadata.begin(), metadata.end());
      Bytes parity(7);
      BchCode::make(scheme.bch_shape(scheme.steps[step]))->encode(word, parity);
      EXPECT_EQ(hex(part(1034 + 7 * step, 7)), hex(parity)) << step;
    }
    const Bytes right = page;
    for (const std::uint32_t offset : {1026u, 1031u, 511u, 1034u, 600u, 1041u}) flip(page, offset, 3);
    std::vector<StepOutcome> outcomes(2);
    code->for_another_thread().decode(page, outcomes);
    EXPECT_EQ(outcomes, (std::vector<StepOutcome>{{StepStatus::corrected, 4}, {StepStatus::corrected, 2}}));
    EXPECT_EQ(page, right);
    flip(page, 1028, 0);  // of the first step alone
    code->decode(page, outcomes);
    EXPECT_EQ(outcomes[1].status, StepStatus::clean);
    EXPECT_EQ(page, right);
  }
}

}  // namespace
}  // namespace steadycell::ecc
