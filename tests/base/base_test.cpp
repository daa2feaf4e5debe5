#include <gtest/gtest.h>

#include <set>

#include "base/bytes.h"
#include "base/result.h"
#include "base/sha256.h"
#include "base/text.h"
#include "base/units.h"

namespace steadycell {
namespace {

// FIPS 180-4 example messages (values as NIST publishes them for SHA-256; from memory, agreed by libcrypto).
TEST(Sha256, MatchesThePublishedExamples) {
  EXPECT_EQ(to_text(Sha256::of(as_bytes("abc"))), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  EXPECT_EQ(to_text(Sha256::of({})), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
}

TEST(Sha256, PiecesHashAsTheWholeAndTheHasherStartsAnew) {
  Sha256 hash;
  hash.update(as_bytes("a"));
  hash.update(as_bytes("bc"));
  EXPECT_EQ(hash.finish(), Sha256::of(as_bytes("abc")));
  EXPECT_EQ(hash.finish(), Sha256::of({}));
}

TEST(Bytes, HexComesBackAsItWent) {
  EXPECT_EQ(hex_spaced(*parse_hex("EC DC 10 95 54")), "EC DC 10 95 54");
  EXPECT_EQ(hex(*parse_hex("ecdc10")), "ecdc10");
  EXPECT_FALSE(parse_hex("EC D"));
  EXPECT_FALSE(parse_hex("xyz"));
}

TEST(Bytes, NumbersAreLittleEndian) {
  const Bytes bytes{1, 2, 3, 4, 5, 6, 7, 8};
  EXPECT_EQ(load_u16(bytes), 0x0201u);
  EXPECT_EQ(load_u32(bytes), 0x04030201u);
  EXPECT_EQ(load_u64(bytes), 0x0807060504030201u);
  Bytes out(8);
  store_u64(out, 0x0807060504030201u);
  EXPECT_EQ(out, bytes);
}

TEST(Bytes, CountsOnesInAnyLength) {
  Bytes bytes(17, 0xFF);
  EXPECT_EQ(count_ones(bytes), 17u * 8);
  EXPECT_EQ(count_ones({}), 0u);
}

TEST(Text, EscapesWhatCouldDriveATerminal) {
  EXPECT_EQ(printable("\x1b[31mred"), "\\x1b[31mred");
  EXPECT_EQ(printable("a\xc2\x9bz"), "a\\x9bz");              // C1 control sequence introducer
  EXPECT_EQ(printable("a\xe2\x80\xaez"), "a\\u{202e}z");      // right-to-left override
  EXPECT_EQ(printable("M\xc3\xbcller"), "M\xc3\xbcller");
  EXPECT_EQ(printable("\xff\xc0\x80"), "\\xff\\xc0\\x80");    // not UTF-8
}

TEST(Text, RangesHoldBothEnds) {
  const auto range = parse_range("10-19");
  ASSERT_TRUE(range);
  EXPECT_EQ(range->first, 10u);
  EXPECT_EQ(range->last, 19u);
  EXPECT_EQ(parse_range("7")->last, 7u);
  for (const char* bad : {"", "-", "3-", "-3", "5-4", "1-2-3", "0x10", " 1", "4294967296"}) EXPECT_FALSE(parse_range(bad)) << bad;
}

TEST(Text, NamesThatCouldLeadElsewhereAreNotSafe) {
  for (const char* bad : {"", ".", "..", "../x", "/x", "-rf", "a b", "a\nb", "caf\xc3\xa9", ".hidden"}) EXPECT_FALSE(safe_name(bad)) << bad;
  EXPECT_FALSE(safe_name(std::string(65, 'a')));
  EXPECT_FALSE(safe_name(std::string_view("a\0b", 3)));
  EXPECT_TRUE(safe_name("case-0007_chip.A"));
}

TEST(Error, TextNamesCodeOperationPlaceWhatIsKeptAndNextStep) {
  const Error error = Error(ErrorCode::frame_corrupt, "frame checksum 0x1f2e, expected 0x9ab0")
                          .during("reading page {}", 4711).at("block 73").keeping("72 blocks kept").advising("try another cable");
  EXPECT_EQ(error.text(), "e203 reading page 4711: frame checksum 0x1f2e, expected 0x9ab0 [block 73] (72 blocks kept): try another cable");
}

TEST(Error, EveryCodeHasItsOwnNumberAnExitCodeAndANextStep) {
  std::set<ErrorCode> numbers;
  for (const ErrorCodeFacts& facts : all_error_codes()) {
    EXPECT_TRUE(numbers.insert(facts.code).second) << facts.name;
    EXPECT_EQ(facts_of(facts.code).name, facts.name);
    EXPECT_TRUE((facts.exit_code >= 1 && facts.exit_code <= 9) || facts.exit_code == 130) << facts.name;
    EXPECT_FALSE(facts.meaning.empty() || facts.next.empty()) << facts.name;
  }
}

TEST(Units, PrintWithTheirUnit) {
  EXPECT_EQ(fmt::format("{}", Millivolts(1800)), "1800 mV");
  EXPECT_EQ(fmt::format("{:.1f}", Milliamps(12.25)), "12.2 mA");
}

}  // namespace
}  // namespace steadycell
