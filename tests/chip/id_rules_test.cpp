#include <gtest/gtest.h>

#include <bit>

#include "chip/identity.h"

namespace steadycell::chip {
namespace {

struct Row {
  const char* id;
  std::uint32_t page, spare, block_kib;
  std::uint64_t mebibytes;
  std::uint32_t bus_bits, supply_mV;
  std::optional<EccNeed> ecc;
  const char* source;  // of the expectation
};

// Data sheets, kernel rows and kernel commit texts; the origin of each stands in its last column.
const Row kRows[] = {
    {"AD DC 90 95 54", 2048, 64, 128, 512, 8, 3300, {}, "Hynix H27U4G8F2D data sheet rev 1.4, table 14"},
    {"AD CC 90 D5 54", 2048, 64, 128, 512, 16, 3300, {}, "same"},
    {"AD AC 90 15 54", 2048, 64, 128, 512, 8, 1800, {}, "same"},
    {"AD D3 D1 95 58", 2048, 64, 128, 1024, 8, 3300, {}, "same, two dies"},
    {"AD D5 D2 95 5C", 2048, 64, 128, 2048, 8, 3300, {}, "same, four dies"},
    {"AD DA 10 95 44", 2048, 64, 128, 256, 8, 3300, {}, "a boot loader's table"},
    {"AD DE 94 DA 74 C4", 8192, 640, 2048, 8192, 8, 3300, EccNeed{40, 1024}, "kernel full-ID row H27UCG8T2A"},
    {"AD DE 14 A7 42 4A", 16384, 1664, 4096, 8192, 8, 3300, EccNeed{40, 1024}, "kernel full-ID row H27UCG8T2E"},
    {"EC DC 10 95 54", 2048, 64, 128, 512, 8, 3300, {}, "Samsung K9F4G08U0A data sheet, page 31"},
    {"EC D5 14 B6 74", 4096, 128, 512, 2048, 8, 3300, {}, "kernel commit text, K9GAG08U0M"},
    {"EC D5 94 29 34 41", 4096, 218, 512, 2048, 8, 3300, EccNeed{8, 512}, "kernel commit text, K9GAG08U0D"},
    {"EC D5 51 A6 68", 4096, 128, 256, 2048, 8, 3300, {}, "a forum's quote of the data sheet"},
    {"98 D1 90 15 76 14 01 00", 2048, 64, 128, 128, 8, 3300, EccNeed{1, 512}, "kernel full-ID row TC58NVG0S3E"},
    {"98 DC 90 26 76 15 01 08", 4096, 224, 256, 512, 8, 3300, EccNeed{4, 512}, "kernel full-ID row TC58NVG2S0F"},
    {"98 DC 90 26 76 16 08 00", 4096, 256, 256, 512, 8, 3300, EccNeed{8, 512}, "kernel full-ID row TC58NVG2S0H"},
    {"98 D3 90 26 76 15 02 08", 4096, 232, 256, 1024, 8, 3300, EccNeed{4, 512}, "kernel full-ID row TC58NVG3S0F"},
    {"98 D7 94 32 76 56 09 00", 8192, 640, 1024, 4096, 8, 3300, EccNeed{40, 1024}, "kernel full-ID row TC58NVG5D2"},
    {"98 DE 94 82 76 56 04 20", 8192, 640, 2048, 8192, 8, 3300, EccNeed{40, 1024}, "kernel full-ID row TC58NVG6D2"},
    {"98 DC 91 15 76", 2048, 128, 128, 512, 8, 3300, EccNeed{8, 512}, "kernel full-ID row TH58NVG2S3HBAI4"},
    {"20 DA 80 1D", 2048, 64, 128, 256, 8, 3300, {}, "Numonyx NAND02G-B2C data sheet, table 14"},
    {"20 F1 80 1D", 2048, 64, 128, 128, 8, 3300, {}, "same"},
    {"20 B1 80 55", 2048, 64, 128, 128, 16, 1800, {}, "same"},
    {"20 76", 512, 16, 16, 64, 8, 3300, {}, "ST NAND512-A data sheet 210403 rev 4"},
    {"20 36", 512, 16, 16, 64, 8, 1800, {}, "same"},
    {"20 56", 512, 16, 16, 64, 16, 3300, {}, "same"},
    {"20 46", 512, 16, 16, 64, 16, 1800, {}, "same"},
    {"2C CA 90 D5 86", 2048, 64, 128, 256, 16, 3300, {}, "a forum's read-out"},
    {"2C A3 90 26 64", 4096, 224, 256, 1024, 8, 1800, EccNeed{8, 512}, "its own ONFI page"},
    {"2C 48 00 26 89", 4096, 224, 512, 4096, 8, 3300, EccNeed{4, 512}, "its own ONFI page"},
};

Bytes as_read(const std::string& id_text) {
  const Bytes id = parse_hex(id_text).value();
  Bytes raw(8);
  for (std::size_t i = 0; i < raw.size(); ++i) raw[i] = id[i % id.size()];
  return raw;
}

TEST(IdRules, DecodePublishedIdsAsTypedAndAsRead) {
  for (const Row& row : kRows)
    for (const Bytes& raw : {parse_hex(row.id).value(), as_read(row.id)}) {
      SCOPED_TRACE(fmt::format("{} ({}), {} bytes", row.id, row.source, raw.size()));
      const auto decoded = decode_id(raw);
      ASSERT_TRUE(decoded) << decoded.error().text();
      const Geometry& g = decoded->geometry;
      EXPECT_EQ(g.page_bytes, row.page);
      EXPECT_EQ(g.spare_bytes, row.spare);
      EXPECT_EQ(std::uint64_t{g.pages_per_block} * g.page_bytes, row.block_kib * 1024u);
      EXPECT_EQ(g.total_bytes(), row.mebibytes << 20);
      EXPECT_EQ(g.bus_bits, row.bus_bits);
      EXPECT_EQ(decoded->supply, Millivolts(static_cast<std::int32_t>(row.supply_mV)));
      EXPECT_EQ(decoded->ecc_need, row.ecc);
    }
}

TEST(IdRules, CountPlanesOfTheCommonFifthByte) {  // Hynix H27U4G8F2D data sheet, table 18
  EXPECT_EQ(decode_id(parse_hex("AD DC 90 95 54").value())->geometry.planes, 2u);
  EXPECT_EQ(decode_id(parse_hex("AD D3 D1 95 58").value())->geometry.planes, 4u);
  EXPECT_EQ(decode_id(parse_hex("AD D5 D2 95 5C").value())->geometry.planes, 8u);
}

TEST(IdRules, SayThatSeveralDiesShareAChipEnable) {
  const auto two = decode_id(parse_hex("AD D3 D1 95 58").value());
  ASSERT_EQ(two->notes.size(), 1u);
  EXPECT_EQ(two->notes[0], "2 dies share this CE#; the size counts them all");
}

TEST(IdRules, GiveAddressCyclesBySize) {
  const auto cycles = [](const char* id) {
    const Geometry g = decode_id(parse_hex(id).value())->geometry;
    return std::pair(g.column_cycles, g.row_cycles);
  };
  EXPECT_EQ(cycles("EC F1 00 95 40"), std::pair(2u, 2u));  // 65536 pages: four cycles, as on 1 Gbit parts
  EXPECT_EQ(cycles("EC DA 10 95 44"), std::pair(2u, 3u));
  EXPECT_EQ(cycles("EC 75"), std::pair(1u, 2u));
  EXPECT_EQ(cycles("EC 76"), std::pair(1u, 3u));
}

TEST(IdRules, PlaceTheBadBlockMarkByPageAndBus) {  // split by the kernel; byte numbers from memory
  EXPECT_EQ(decode_id(parse_hex("EC 75").value())->bad_block_mark, 5u);
  EXPECT_EQ(decode_id(parse_hex("EC 55").value())->bad_block_mark, 0u);
  EXPECT_EQ(decode_id(parse_hex("EC DC 10 95 54").value())->bad_block_mark, 0u);
}

TEST(IdRules, TakeTheDeviceCodeByItsPlace) {  // 45h is a device code of 32 MiB x16 parts as well as a maker's
  const auto decoded = decode_id(parse_hex("EC 45").value());
  ASSERT_TRUE(decoded);
  EXPECT_EQ(decoded->maker, "Samsung");
  EXPECT_EQ(decoded->geometry.total_bytes(), 32u << 20);
  EXPECT_EQ(maker_name(0x45), "maker 0x45");
}

// The kernel's full-ID row 45 DE 94 93 76 50 has pages of 16384 + 1280 bytes; the common rule makes 8192 + 128 of its sisters.
TEST(IdRules, LateMultiLevelPartsWithoutARuleAreUnknownNotHalfRead) {
  for (const char* id : {"45 DE 94 93 76 57", "45 D7 84 93 72 57", "98 DE 94 93 76 57", "9B DE 94 93 76 57"}) {
    const auto decoded = decode_id(parse_hex(id).value());
    ASSERT_FALSE(decoded) << id;
    EXPECT_EQ(decoded.error().code(), ErrorCode::unknown_chip) << id;
  }
}

TEST(IdRules, NameMakersByOddParityCodes) {  // JEP106 codes of the kernel's list
  const std::pair<std::uint8_t, const char*> kCodes[] = {{0x01, "Spansion"}, {0x20, "Numonyx"}, {0x2C, "Micron"}, {0x98, "Toshiba"},
                                                         {0xAD, "Hynix"},    {0xC2, "Macronix"}, {0xEC, "Samsung"}, {0xEF, "Winbond"}};
  for (const auto& [code, name] : kCodes) {
    EXPECT_EQ(std::popcount(code) % 2, 1) << name;
    EXPECT_EQ(maker_name(code), name);
  }
}

TEST(IdRules, RefuseEveryMakerCodeOfEvenParity) {
  for (unsigned maker = 0; maker < 256; ++maker) {
    const Bytes raw{static_cast<std::uint8_t>(maker), 0xDC, 0x10, 0x95, 0x54, static_cast<std::uint8_t>(maker), 0xDC, 0x10};
    const auto decoded = decode_id(raw);
    EXPECT_EQ(decoded.has_value(), std::popcount(maker) % 2 == 1) << maker;
    if (!decoded) { EXPECT_EQ(decoded.error().code(), ErrorCode::no_chip); }
  }
}

TEST(IdRules, CallASilentBusNoChip) {
  for (const char* silent : {"FF FF FF FF FF FF FF FF", "00 00 00 00 00 00 00 00", "FF FF", "98 98 98 98 98 98 98 98"}) {
    const auto decoded = decode_id(parse_hex(silent).value());
    ASSERT_FALSE(decoded) << silent;
    EXPECT_EQ(decoded.error().code(), silent[0] == '9' && std::string(silent).size() < 8 ? ErrorCode::unknown_chip : ErrorCode::no_chip);
    EXPECT_NE(decoded.error().what().find(silent), std::string::npos);
  }
}

TEST(IdRules, RecogniseADoubleRateAnswer) {
  const auto decoded = decode_id(parse_hex("AD AD DE DE 14 14 A7 A7").value());
  ASSERT_FALSE(decoded);
  EXPECT_EQ(decoded.error().code(), ErrorCode::double_rate);
}

TEST(IdRules, CallAnUnknownDeviceCodeUnknown) {
  const auto decoded = decode_id(parse_hex("2C 64 44 4B A9 00 00 00").value());
  ASSERT_FALSE(decoded);
  EXPECT_EQ(decoded.error().code(), ErrorCode::unknown_chip);
  EXPECT_NE(decoded.error().what().find("device code 64 of Micron"), std::string::npos);
}

TEST(IdRules, SaveNothingWhenOneByteIsGiven) {
  const auto decoded = decode_id(Bytes{0xEC});
  ASSERT_FALSE(decoded);
  EXPECT_EQ(decoded.error().code(), ErrorCode::wrong_usage);
}

TEST(IdRules, LetTheDeviceCodeDecideTheBusAndSayTheDisagreement) {
  const auto decoded = decode_id(parse_hex("EC DC 10 D5 54").value());
  ASSERT_TRUE(decoded);
  EXPECT_EQ(decoded->geometry.bus_bits, 8u);
  ASSERT_EQ(decoded->notes.size(), 1u);
  EXPECT_NE(decoded->notes[0].find("the device code wins"), std::string::npos);
}

TEST(IdRules, TellOnDieCorrection) {
  const auto decoded = decode_id(parse_hex("2C CA 90 D5 86").value());
  ASSERT_EQ(decoded->notes.size(), 1u);
  EXPECT_NE(decoded->notes[0].find("on-die ECC is on"), std::string::npos);
}

// Hynix MLC parts that say JEDEC at 40h code their spare area and ECC otherwise (kernel).
TEST(IdRules, ReadHynixPartsWithAJedecIdTheirOwnWay) {
  const Bytes id = parse_hex("AD DE 14 AB 42 4A").value();
  const auto plain = decode_id(id, false), with_jedec = decode_id(id, true);
  ASSERT_TRUE(plain && with_jedec);
  EXPECT_EQ(plain->geometry.spare_bytes, 448u);
  EXPECT_EQ(with_jedec->geometry.spare_bytes, 1024u);
  EXPECT_EQ(with_jedec->ecc_need, (EccNeed{40, 1024}));
}

TEST(TrimmedId, EndsAtThePeriodElseAtTheLastByteThatIsNotZero) {  // the kernel's rule
  const auto trimmed = [](const char* raw) { return hex_spaced(trimmed_id(parse_hex(raw).value())); };
  EXPECT_EQ(trimmed("EC DC 10 95 54 EC DC 10"), "EC DC 10 95 54");
  EXPECT_EQ(trimmed("20 76 20 76 20 76 20 76"), "20 76");
  EXPECT_EQ(trimmed("98 D1 90 15 76 14 01 00"), "98 D1 90 15 76 14 01");
  EXPECT_EQ(trimmed("2C 48 00 26 89 00 00 00"), "2C 48 00 26 89");
  EXPECT_EQ(trimmed("98 DC 90 26 76 15 01 08"), "98 DC 90 26 76 15 01 08");
  EXPECT_EQ(trimmed("EC DC 10"), "EC DC 10");
}

TEST(Announced, KnowsThePagesByTheirLettersAndDoubleRateByDoubledOnes) {
  const auto text = [](std::string_view letters) { return Bytes(letters.begin(), letters.end()); };
  const auto both = announced(text("ONFI\xFF\xFF"), text("JEDEC\xFF"));
  ASSERT_TRUE(both);
  EXPECT_TRUE(both->onfi && both->jedec);
  const auto none = announced(text("\xEC\xDC\x10\x95\x54\xEC"), {});
  ASSERT_TRUE(none);
  EXPECT_FALSE(none->onfi || none->jedec);
  for (const auto& [at_20, at_40] : {std::pair("OONNFF", "xxxxxx"), std::pair("xxxxxx", "JJEEDD")}) {
    const auto doubled = announced(text(at_20), text(at_40));
    ASSERT_FALSE(doubled);
    EXPECT_EQ(doubled.error().code(), ErrorCode::double_rate);
  }
}

}  // namespace
}  // namespace steadycell::chip
