// References: pages written by the Linux kernel with bits flipped (tests/data/kernel-nand), whose schemes stand beside them.
// Layouts of an independent encoder, and dumps without any code, are in tests/end_to_end/ecc_find_test.py.
#include "search/layout_search.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "base/sanitized.h"
#include "ecc/files.h"
#include "ecc/page_code.h"
#include "search/evidence.h"
#include "search/parts.h"

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
                         testing::Values("hamming-512", "hamming-2k", "hamming-4k", "bch2-2k", "bch4-2k", "bch8-2k", "bch8-4k",
                                         "bch16-4k224", "fat16-bch4-2k"));

// By the definition alone: x has order 2^m - 1 modulo the polynomial.
TEST(UsualPolynomials, AreAllPrimitive) {
  for (unsigned m = 8; m <= 15; ++m)
    for (const std::uint32_t polynomial : usual_polynomials(m)) {
      std::uint32_t power = 2, order = 1;
      for (; power != 1 && order < 1u << m; ++order) {
        power <<= 1;
        if (power >> m != 0) power ^= polynomial;
      }
      EXPECT_EQ(order, (1u << m) - 1) << std::hex << polynomial;
    }
  EXPECT_EQ(std::vector<std::uint32_t>(usual_polynomials(14).begin(), usual_polynomials(14).end()),
            (std::vector<std::uint32_t>{0x402B, 0x4443, 0x5803}));
}

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

TEST(Sample, PagesCountAsDifferentFromKTellingBitsOn) {
  Bytes page(2112, 0);
  Sample sample(2048, 64);
  sample.add(page);
  std::fill_n(page.begin(), kTellingBits / 8 - 1, std::uint8_t{0xFF});
  sample.add(page);
  EXPECT_EQ(sample.different(), (std::vector<std::size_t>{0}));
  std::fill_n(page.begin(), kTellingBits / 8, std::uint8_t{0xFF});
  sample.add(page);
  sample.add(page);
  EXPECT_EQ(sample.different(), (std::vector<std::size_t>{0, 2}));
  EXPECT_EQ(sample.pages(), 4u);
}

TEST(LayoutSearch, FewWrittenPagesAmongManyOfZerosAreFound) {
  const ecc::Scheme right = ecc::test_scheme("bch8-2k");
  const Bytes dump = ecc::test_file("kernel-nand/bch8-2k.raw.gz");
  auto code = ecc::PageCode::make(right);
  ASSERT_TRUE(code);
  Bytes zeros(2112, 0);
  code->encode(zeros);
  Sample sample(2048, 64);
  for (std::size_t i = 0; i < 12; ++i) sample.add(ByteSpan(dump).subspan(i * 2112, 2112));
  while (sample.pages() < 256) sample.add(zeros);
  const auto found = find(sample);
  ASSERT_TRUE(found);
  EXPECT_EQ(ecc::pretty(found->scheme), ecc::pretty(right));
}

// Little-endian numbers of 16 bits that count up, as the tables of a file system do: the line and column parities of a page
// hardly change, and so seem to stand in a spare area that never does.
TEST(LayoutSearch, CountingTablesBesideAnEmptySpareAreaHaveNoCode) {
  Sample sample(512, 16);
  for (unsigned page = 0; page < 128; ++page) {
    Bytes raw(528, 0xFF);
    for (unsigned i = 0; i < 256; ++i) {
      const unsigned value = page * 256 + i + 3;
      raw[2 * i] = static_cast<std::uint8_t>(value);
      raw[2 * i + 1] = static_cast<std::uint8_t>(value >> 8);
    }
    sample.add(raw);
  }
  EXPECT_FALSE(find(sample));
}

// The CRC of x^16 + x^15 + x^2 + 1 = (x + 1)(x^15 + x + 1) (the CRC-16 of serial links; the product is a closed form): half of its
// words are words of the BCH code of m 15 and t 1. Start value and bit order as both are in use.
Bytes with_crc16(unsigned start, bool lsb_first) {
  std::mt19937 random(7);
  Bytes dump;
  for (int page = 0; page < 64; ++page) {
    Bytes raw(2112, 0xFF);
    unsigned crc = start;
    for (std::size_t i = 0; i < 2048; ++i) {
      raw[i] = static_cast<std::uint8_t>(random());
      crc ^= static_cast<unsigned>(lsb_first ? reversed(raw[i]) : raw[i]) << 8;
      for (int bit = 0; bit < 8; ++bit) crc = (crc << 1 ^ ((crc & 0x8000u) != 0 ? 0x8005u : 0)) & 0xFFFFu;
    }
    const auto high = static_cast<std::uint8_t>(crc >> 8), low = static_cast<std::uint8_t>(crc);
    raw[2050] = lsb_first ? reversed(high) : high;
    raw[2051] = lsb_first ? reversed(low) : low;
    dump.insert(dump.end(), raw.begin(), raw.end());
  }
  return dump;
}

TEST(LayoutSearch, AChecksumIsNoCodeForOneBit) {
  for (const unsigned start : {0u, 0xFFFFu})
    for (const bool lsb_first : {false, true}) {
      if (kSanitized && (start == 0 || lsb_first)) continue;
      const Sample sample = sample_of(with_crc16(start, lsb_first), 2048, 64, 64);
      const auto order = lsb_first ? ecc::BitOrder::lsb_first : ecc::BitOrder::msb_first;
      for (const Family family : {Family::spare, Family::metadata_first}) {
        if (kSanitized && family != Family::spare) continue;
        const Task task{.code = ecc::CodeKind::bch, .family = family, .bit_order = order, .step_bytes = 2048, .m = 15,
                        .polynomial = 0x8003};
        EXPECT_FALSE(run(sample, task).found) << start << (lsb_first ? " lsb first, family " : ", family ") << static_cast<int>(family);
      }
    }
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

TEST(Verify, AStepThatDoesNotDecodeIsNotCarriedByTheOthers) {
  const ecc::Scheme right = ecc::test_scheme("bch8-2k");
  const Bytes dump = ecc::test_file("kernel-nand/bch8-2k.raw.gz");
  for (std::size_t broken = 0; broken < right.steps.size(); ++broken) {
    std::mt19937 random(9);
    const Sample whole = sample_of(dump, 2048, 64, 64);
    Sample sample(2048, 64);
    for (std::size_t i = 0; i < whole.pages(); ++i) {
      Bytes page(whole.page(i).begin(), whole.page(i).end());
      const ecc::Range code = right.steps[broken].code[0];
      for (std::uint32_t at = 0; at < code.length; ++at) page[code.offset + at] = static_cast<std::uint8_t>(random());
      sample.add(page);
    }
    EXPECT_FALSE(verify(sample, right)) << "step " << broken;
  }
}

TEST(Evidence, WordsAlikeCountOnceAndEmptyOnesNever) {
  auto code = ecc::PageCode::make(ecc::test_scheme("bch8-2k"));
  ASSERT_TRUE(code);
  std::vector<ecc::StepOutcome> outcomes(code->steps());
  const auto add = [&](Evidence& evidence, Bytes page) {
    code->decode(page, outcomes);
    evidence.add(page, outcomes);
  };
  std::mt19937 random(3);
  Bytes page(2112);
  for (auto& byte : page) byte = static_cast<std::uint8_t>(random());
  code->encode(page);
  Evidence evidence(*code);
  for (int i = 0; i < 5; ++i) add(evidence, page);
  EXPECT_EQ(evidence.all().telling, 4u);
  EXPECT_EQ(evidence.all().decoded, 4u);
  EXPECT_EQ(evidence.of_step(2).telling, 1u);
  // Four words without an error: 2^-104 each.
  EXPECT_NEAR(evidence.all().log_chance(), -4 * 104 * std::log(2.0), 1e-6);

  // Data that differ by the same in every byte have the same parities: a code proves itself on them but once.
  auto hamming = ecc::PageCode::make(ecc::test_scheme("hamming-2k"));
  ASSERT_TRUE(hamming);
  Evidence regular(*hamming);
  std::vector<ecc::StepOutcome> of_hamming(hamming->steps());
  for (const unsigned value : {1u, 2u, 3u}) {
    Bytes other(page);
    for (std::size_t at = 0; at < 2048; ++at) other[at] = static_cast<std::uint8_t>(other[at] ^ value);
    hamming->encode(other);
    hamming->decode(other, of_hamming);
    regular.add(other, of_hamming);
  }
  EXPECT_EQ(regular.all().words, 24u);
  EXPECT_EQ(regular.all().telling, 8u);

  Evidence empty(*code);
  Bytes zeros(2112, 0);
  code->encode(zeros);
  add(empty, zeros);
  add(empty, Bytes(2112, 0));
  EXPECT_EQ(empty.all().telling, 0u);
  EXPECT_EQ(empty.all().log_chance(), 0.0);
}

TEST(BestOf, TakesWhatExplainsMostAndSaysWhatItAssumes) {
  Found beside, packed, poor;
  for (Found* found : {&beside, &packed, &poor}) {
    found->scheme.steps = {{.data = {{0, 512}}, .metadata = {{1024, 2}}, .code = {}},
                           {.data = {{512, 512}}, .metadata = {{1030, 2}}, .code = {}}};
    found->steps_explained = 100;
  }
  packed.scheme.steps[1].metadata = {{1026, 2}};
  poor.scheme.steps[0].metadata = {{1040, 2}};
  poor.steps_explained = 60;
  const auto best = best_of({beside, packed, poor});
  ASSERT_TRUE(best);
  EXPECT_EQ(best->scheme.steps[1].metadata, beside.scheme.steps[1].metadata);
  EXPECT_EQ(best->unproven, (std::vector<Unproven>{{.bytes = {1030, 2}, .steps = {1}, .why = Unproven::Why::elsewhere}}));
  packed.steps_explained = 110;
  EXPECT_TRUE(best_of({beside, packed})->unproven.empty());
  EXPECT_FALSE(best_of({}));
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
