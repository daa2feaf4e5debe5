#include <gtest/gtest.h>

#include "chip/identity.h"
#include "pages.h"

namespace steadycell::chip {
namespace {

using namespace testing;

// Check values of the ONFI CRC, computed by an independent program; they also show that the tests' own CRC is right.
TEST(OnfiCrc, HasItsCheckValues) {
  EXPECT_EQ(onfi_crc(as_bytes("123456789")), 0x2771);
  EXPECT_EQ(onfi_crc({}), 0x4F4E);
  EXPECT_EQ(onfi_crc(Bytes(254, 0x00)), 0x3EEE);
  EXPECT_EQ(onfi_crc(Bytes(254, 0xFF)), 0xC1E2);
}

struct Worked {
  const char* name;
  std::uint16_t crc;
  std::uint32_t page, spare, pages_per_block, blocks, luns, column_cycles, row_cycles;
  EccNeed ecc;
  std::uint8_t mode;
  std::int64_t read_us;
  const char *maker, *model;
};
const Worked kWorked[] = {
    {"H27U2G8F2CTR-BC", 0x686E, 2048, 64, 64, 2048, 1, 2, 3, {1, 512}, 4, 25, "HYNIX", "H27U2G8F2CTR-BC"},
    {"MT29F64G08AKABAC5", 0x7D20, 4096, 224, 128, 4096, 2, 2, 3, {4, 512}, 4, 25, "MICRON", "MT29F64G08AKABAC5"},
    {"MT29F32G08ABCDBJ4", 0x8A63, 16384, 1216, 256, 1048, 1, 2, 3, {24, 1024}, 5, 45, "MICRON", "MT29F32G08ABCDBJ4"},
    {"MT29F2G08ABBEAHC", 0x1E57, 2048, 64, 64, 2048, 1, 2, 3, {4, 512}, 4, 25, "MICRON", "MT29F2G08ABBEAHC"},
    {"MT29F1G08ABBDA3W-odd", 0x0936, 2048, 64, 64, 1024, 1, 2, 2, {4, 512}, 4, 25, "MICRON", "MT29F1G08ABBDA3W"},
    {"MT29F8G08ABBCA3W-crc-computed", 0x7170, 4096, 224, 64, 4096, 1, 2, 3, {8, 512}, 4, 25, "MICRON", "MT29F8G08ABBCA3W"},
};

// tests/data/onfi-pages: pages of emulators and a boot loader's test tree.
TEST(OnfiPage, WorkedPagesDecodeToTheirFacts) {
  for (const Worked& w : kWorked) {
    SCOPED_TRACE(w.name);
    const Bytes raw = worked_page(w.name);
    EXPECT_EQ(load_u16(ByteSpan(raw).subspan(254)), w.crc);
    // The extended page lies behind all copies; the file with one has a single copy, while the page says three.
    Bytes stream = repeated(ByteSpan(raw).first(256), std::max<std::size_t>(raw[14], 1));
    stream.insert(stream.end(), raw.begin() + 256, raw.end());
    const auto decoded = decode_parameter_page(stream);
    ASSERT_TRUE(decoded) << decoded.error().text();
    const Geometry& g = decoded->geometry;
    EXPECT_EQ(g.page_bytes, w.page);
    EXPECT_EQ(g.spare_bytes, w.spare);
    EXPECT_EQ(g.pages_per_block, w.pages_per_block);
    EXPECT_EQ(g.blocks, w.blocks);
    EXPECT_EQ(g.luns, w.luns);
    EXPECT_EQ(g.column_cycles, w.column_cycles);
    EXPECT_EQ(g.row_cycles, w.row_cycles);
    EXPECT_EQ(decoded->ecc_need, w.ecc);
    EXPECT_EQ(decoded->timing_mode, w.mode);
    EXPECT_EQ(decoded->read_time, Microseconds(w.read_us));
    EXPECT_EQ(decoded->maker, w.maker);
    EXPECT_EQ(decoded->model, w.model);
    EXPECT_EQ(decoded->source, "onfi");
  }
}

TEST(OnfiPage, F36_GoodChecksumWithFieldsThatContradictIsSaid) {
  const auto decoded = decode_parameter_page(worked_page("MT29F1G08ABBDA3W-odd"));
  ASSERT_TRUE(decoded);
  ASSERT_FALSE(decoded->notes.empty());
  EXPECT_NE(decoded->notes[0].find("contradict"), std::string::npos);
}

TEST(OnfiPage, MissingExtendedPageLeavesTheEccNeedOpen) {
  const Bytes raw = worked_page("MT29F32G08ABCDBJ4");
  const auto decoded = decode_parameter_page(repeated(ByteSpan(raw).first(256), 3));
  ASSERT_TRUE(decoded);
  EXPECT_EQ(decoded->ecc_need, std::nullopt);
  EXPECT_EQ(decoded->geometry.blocks, 1048u);
}

TEST(OnfiPage, SecondCopyOfADamagedExtendedPageIsUsed) {
  const Bytes raw = worked_page("MT29F32G08ABCDBJ4");
  Bytes stream = repeated(ByteSpan(raw).first(256), 3);
  Bytes damaged(raw.begin() + 256, raw.end());
  damaged[33] ^= 1;
  stream.insert(stream.end(), damaged.begin(), damaged.end());
  stream.insert(stream.end(), raw.begin() + 256, raw.end());
  EXPECT_EQ(decode_parameter_page(stream)->ecc_need, (EccNeed{24, 1024}));
}

TEST(OnfiPage, F36_EachCopyIsCheckedAgainstItsOwnChecksum) {
  const Bytes good = worked_page("H27U2G8F2CTR-BC");
  Bytes stream = repeated(good, 3);
  stream[80] ^= 0x08;
  stream[254] ^= 0xFF;  // copy 0 is wrong, its checksum too
  const auto decoded = decode_parameter_page(stream);
  ASSERT_TRUE(decoded);
  EXPECT_EQ(decoded->geometry.page_bytes, 2048u);
  ASSERT_EQ(decoded->notes.size(), 1u);
  EXPECT_NE(decoded->notes[0].find("copy 2"), std::string::npos);
}

// Majority vector: one flip in each of three copies; the checksums of the damaged copies and the result were computed by an
// independent program, the rule is the kernel's.
TEST(OnfiPage, MajorityOfDamagedCopiesIsTheOriginal) {
  const Bytes good = worked_page("H27U2G8F2CTR-BC");
  Bytes stream = repeated(good, 3);
  stream[80] ^= 1u << 3;
  stream[256 + 92] ^= 1u << 0;
  stream[512 + 101] ^= 1u << 7;
  const std::uint16_t damaged[] = {0x8231, 0xC07C, 0xBED3};
  for (std::size_t i = 0; i < 3; ++i) EXPECT_EQ(onfi_crc(ByteSpan(stream).subspan(i * 256, 254)), damaged[i]);
  const auto decoded = decode_parameter_page(stream), original = decode_parameter_page(good);
  ASSERT_TRUE(decoded);
  EXPECT_EQ(decoded->geometry, original->geometry);
  ASSERT_EQ(decoded->notes.size(), 1u);
  EXPECT_NE(decoded->notes[0].find("majority of 3 copies"), std::string::npos);
}

TEST(OnfiPage, F36_EveryFlippedBitOfASingleCopyIsRefused) {
  const Bytes good = worked_page("H27U2G8F2CTR-BC");
  for (std::size_t bit = 0; bit < good.size() * 8; ++bit) {
    Bytes bad = good;
    bad[bit / 8] ^= static_cast<std::uint8_t>(1u << bit % 8);
    const auto decoded = decode_parameter_page(bad);
    ASSERT_FALSE(decoded) << "bit " << bit;
    EXPECT_EQ(decoded.error().code(), ErrorCode::bad_parameter_page);
  }
}

TEST(OnfiPage, F36_CopiesThatAllDisagreeAreRefused) {
  Bytes stream = repeated(worked_page("H27U2G8F2CTR-BC"), 3);
  for (std::size_t copy = 0; copy < 3; ++copy)
    for (std::size_t i = 80; i < 100; ++i) stream[copy * 256 + i] = static_cast<std::uint8_t>(37 * i + 91 * copy);
  const auto decoded = decode_parameter_page(stream);
  ASSERT_FALSE(decoded);
  EXPECT_EQ(decoded.error().code(), ErrorCode::bad_parameter_page);
}

TEST(OnfiPage, F36_TooShortOnesAreRefused) {
  for (const std::size_t bytes : {0u, 1u, 4u, 255u}) {
    const auto decoded = decode_parameter_page(Bytes(bytes, 0x4F));
    ASSERT_FALSE(decoded);
    EXPECT_EQ(decoded.error().code(), ErrorCode::bad_parameter_page);
  }
}

TEST(JedecPage, SyntheticPageDecodes) {  // offsets from the kernel's structure
  const auto decoded = decode_parameter_page(repeated(jedec_page(), 3));
  ASSERT_TRUE(decoded) << decoded.error().text();
  EXPECT_EQ(decoded->source, "jedec");
  EXPECT_EQ(decoded->maker, "INVENTED");
  EXPECT_EQ(decoded->model, "EXAMPLE-32G");
  const Geometry& g = decoded->geometry;
  EXPECT_EQ(g.page_bytes, 16384u);
  EXPECT_EQ(g.spare_bytes, 1280u);
  EXPECT_EQ(g.pages_per_block, 258u);
  EXPECT_EQ(g.blocks, 1048u);
  EXPECT_EQ(g.luns, 2u);
  EXPECT_EQ(g.planes, 2u);
  EXPECT_EQ(g.bits_per_cell, 2u);
  EXPECT_EQ(decoded->ecc_need, (EccNeed{40, 1024}));
  EXPECT_EQ(decoded->read_time, Microseconds(75));
  EXPECT_EQ(decoded->timing_mode, 0);
}

TEST(JedecPage, ThirdCopyServesWhenTwoAreDamaged) {
  Bytes stream = repeated(jedec_page(), 3);
  stream[0] = 'X';
  stream[512 + 300] ^= 0x40;
  const auto decoded = decode_parameter_page(stream);
  ASSERT_TRUE(decoded);
  EXPECT_EQ(decoded->source, "jedec");
}

TEST(ParameterPage, DoubleRateIsRecognisedFromBothSides) {
  for (const Bytes& page : {repeated(worked_page("H27U2G8F2CTR-BC"), 3), repeated(jedec_page(), 3)}) {
    Bytes doubled, halved;
    for (const std::uint8_t byte : page) doubled.insert(doubled.end(), 2, byte);
    for (std::size_t i = 0; i < page.size(); i += 2) halved.push_back(page[i]);
    for (const Bytes& raw : {doubled, halved}) {
      const auto decoded = decode_parameter_page(raw);
      ASSERT_FALSE(decoded);
      EXPECT_EQ(decoded.error().code(), ErrorCode::double_rate);
    }
  }
}

}  // namespace
}  // namespace steadycell::chip
