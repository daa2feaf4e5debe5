// References: pages written by the Linux kernel with bits flipped (tests/data/kernel-nand), whose schemes stand beside them.
// Layouts of an independent encoder, and dumps without any code, are in tests/end_to_end/ecc_find_test.py.
#include "search/layout_search.h"

#include <gtest/gtest.h>

#include <random>

#include "ecc/files.h"
#include "ecc/page_code.h"

namespace steadycell::search {
namespace {

std::optional<Found> find(const Sample& sample) {
  for (const Task& task : tasks_for(sample))
    if (auto result = run(sample, task); result.found) return std::move(result.found);
  return std::nullopt;
}

Sample sample_of(ByteSpan dump, std::uint32_t page_bytes, std::uint32_t spare_bytes, std::size_t most) {
  Sample sample(page_bytes, spare_bytes);
  const std::size_t raw = page_bytes + spare_bytes, pages = dump.size() / raw, taken = std::min(most, pages);
  for (std::size_t i = 0; i < taken; ++i) sample.add(dump.subspan(i * pages / taken * raw, raw));
  return sample;
}

class KernelVector : public testing::TestWithParam<const char*> {};

TEST_P(KernelVector, SchemeIsFoundFromTheFlippedPagesAlone) {
  const std::string name = GetParam();
  const ecc::Scheme right = ecc::test_scheme(name);
  const Bytes dump = ecc::test_file("kernel-nand/" + name + ".flips.raw.gz");
  const auto found = find(sample_of(dump, right.page_bytes, right.spare_bytes, 256));
  ASSERT_TRUE(found);
  EXPECT_EQ(ecc::pretty(found->scheme), ecc::pretty(right));
  EXPECT_LT(found->log10_odds, -100);
  // In each fourth page one step has more flips than its code corrects.
  EXPECT_GE(found->pages_explained * 100, found->pages_tried * 70);
  EXPECT_LE(found->pages_explained, found->pages_tried);
}

INSTANTIATE_TEST_SUITE_P(All, KernelVector,
                         testing::Values("hamming-512", "hamming-2k", "hamming-4k", "bch2-2k", "bch4-2k", "bch8-2k", "bch8-4k", "bch16-4k224",
                                         "fat16-bch4-2k"));

TEST(LayoutSearch, RandomPagesHaveNoCode) {
  std::mt19937 random(1);
  Bytes dump(528 * 64);
  for (auto& byte : dump) byte = static_cast<std::uint8_t>(random());
  EXPECT_FALSE(find(sample_of(dump, 512, 16, 64)));
}

TEST(LayoutSearch, OnePageOverAndOverProvesNothing) {
  const Bytes dump = ecc::test_file("kernel-nand/bch8-2k.raw.gz");
  Sample sample(2048, 64);
  for (int i = 0; i < 64; ++i) sample.add(ByteSpan(dump).first(2112));
  EXPECT_FALSE(find(sample));
}

TEST(Verify, TheRightSchemeIsBorneOutAndItsNeighboursAreNot) {
  const ecc::Scheme right = ecc::test_scheme("bch8-2k");
  const Bytes dump = ecc::test_file("kernel-nand/bch8-2k.flips.raw.gz");
  const Sample sample = sample_of(dump, 2048, 64, 64);
  const auto found = verify(sample, right);
  ASSERT_TRUE(found);
  EXPECT_EQ(hex(found->scheme.mask), hex(right.mask));
  const auto refused = [&](auto change) {
    ecc::Scheme wrong = right;
    change(wrong);
    return !verify(sample, wrong);
  };
  EXPECT_TRUE(refused([](auto& s) { s.polynomial = 0x25AF; }));
  EXPECT_TRUE(refused([](auto& s) { s.bit_order = ecc::BitOrder::lsb_first; }));
  EXPECT_TRUE(refused([](auto& s) {
    s.steps[0].code[0].offset -= 1;
    s.steps.resize(1);
  }));
  EXPECT_TRUE(refused([](auto& s) {
    std::swap(s.steps[0].code, s.steps[1].code);
    s.steps.resize(2);
  }));
  EXPECT_TRUE(refused([](auto& s) { s.t = 0; }));
}

TEST(Verify, AMaskNobodyUsesIsReadOffThePages) {
  ecc::Scheme scheme = ecc::test_scheme("bch8-2k");
  scheme.mask = *parse_hex("00112233445566778899aabbcc");
  auto code = ecc::PageCode::make(scheme);
  ASSERT_TRUE(code);
  std::mt19937 random(5);
  Sample sample(2048, 64);
  for (int i = 0; i < 32; ++i) {
    Bytes page(2112);
    for (auto& byte : page) byte = static_cast<std::uint8_t>(random());
    code->encode(page);
    for (int flip = 0; flip < 12; ++flip) {
      auto& byte = page[random() % page.size()];
      byte = static_cast<std::uint8_t>(byte ^ 1u << random() % 8);
    }
    sample.add(page);
  }
  const auto found = verify(sample, scheme);
  ASSERT_TRUE(found);
  EXPECT_EQ(hex(found->scheme.mask), hex(scheme.mask));
  EXPECT_EQ(found->scheme.erased, ecc::ErasedAs::all_ff);
}

}  // namespace
}  // namespace steadycell::search
