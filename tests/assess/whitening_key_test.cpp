#include "assess/whitening_key.h"

#include <gtest/gtest.h>

#include <string>

#include "assess/pages.h"
#include "base/json.h"

namespace steadycell::assess {
namespace {

WhiteningKey table_key() {
  return {.page_bytes = 512,
          .spare_bytes = 16,
          .pages_per_block = 4,
          .bytes = {{0, 4}, {512, 2}},
          .whitening = SequenceTable{.period = {.pages = 2, .blocks = 2, .step = 0},
                                     .sequences = {Bytes(6, 0x11), {}, {1, 2, 3, 4, 5, 6}, Bytes(6, 0xFF)}}};
}

WhiteningKey register_key() {
  return {.page_bytes = 512,
          .spare_bytes = 16,
          .pages_per_block = 4,
          .bytes = {{0, 512}},
          .whitening = Register{.feedback = {0x8003}, .order = BitOrder::lsb_first, .restart_bytes = 512}};
}

TEST(WhiteningKey, TheTextGivesTheSameKeyBack) {
  for (const WhiteningKey& key : {table_key(), register_key()}) {
    const auto back = parse_key(to_text(key));
    ASSERT_TRUE(back) << back.error().text();
    EXPECT_EQ(*back, key);
  }
}

TEST(WhiteningKey, TheTextIsAsDocumented) {
  EXPECT_EQ(to_text(table_key()), R"({
  "schema": "steadycell-whitening/1",
  "page_bytes": 512,
  "spare_bytes": 16,
  "pages_per_block": 4,
  "bytes": [[0, 4], [512, 2]],
  "table": {"pages": 2, "blocks": 2, "step": 0, "sequences": [
    "111111111111",
    null,
    "010203040506",
    "ffffffffffff"
  ]}
}
)");
  EXPECT_NE(to_text(register_key())
                .find(R"("register": {"polynomial": "0x8003", "bit_order": "lsb_first", "restart_bytes": 512})"),
            std::string::npos);
}

TEST(WhiteningKey, EveryPrefixIsRefused) {
  for (const WhiteningKey& key : {table_key(), register_key()}) {
    const std::string text = to_text(key);
    for (std::size_t length = 0; length + 1 < text.size(); ++length)
      EXPECT_FALSE(parse_key(std::string_view(text).substr(0, length))) << length;
  }
}

TEST(WhiteningKey, WhatDoesNotFitIsRefusedByName) {
  struct Case {
    const char* from;
    const char* to;
    const char* says;
  };
  for (const Case& c : {Case{"steadycell-whitening/1", "steadycell-ecc/1", "schema"},
                        {"\"page_bytes\": 512", "\"page_bytes\": 100", "page_bytes"},
                        {"\"page_bytes\": 512", "\"page_byte\": 512", "page_byte"},
                        {"[0, 4]", "[0, 0]", "bytes"},
                        {"[0, 4]", "[510, 4]", "bytes"},
                        {"[512, 2]", "[527, 2]", "bytes"},
                        {"[512, 2]", "[4294967295, 2]", "bytes"},
                        {"[512, 2]", "[512]", "bytes"},
                        {"[512, 2]", "512", "bytes"},
                        {"[[0, 4], [512, 2]]", "[]", "bytes"},
                        {"\"pages\": 2", "\"pages\": 5", "pages"},
                        {"\"pages\": 2", "\"pages\": 1", "sequences"},
                        {"\"blocks\": 2", "\"blocks\": 0", "blocks"},
                        {"\"step\": 0", "\"step\": 1", "blocks"},
                        {"\"step\": 0", "\"step\": 2", "step"},
                        {"010203040506", "0102030405", "sequences[2]"},
                        {"010203040506", "01020304050x", "sequences[2]"},
                        {"null", "7", "sequences[1]"},
                        {"\"table\"", "\"tables\"", "table"}}) {
    std::string text = to_text(table_key());
    const auto at = text.find(c.from);
    ASSERT_NE(at, std::string::npos) << c.from;
    text.replace(at, std::string_view(c.from).size(), c.to);
    const auto key = parse_key(text);
    ASSERT_FALSE(key) << c.to;
    EXPECT_EQ(key.error().code(), ErrorCode::bad_input_file);
    EXPECT_NE(key.error().text().find(c.says), std::string::npos) << key.error().text();
  }
  for (const Case& c : {Case{"0x8003", "0x8002", "polynomial"},
                        {"0x8003", "8003", "polynomial"},
                        {"0x8003", "0x1", "polynomial"},
                        {"0x8003", "0x", "polynomial"},
                        {"0x8003", "", "polynomial"},
                        {"0x8003", "0x11234567890abcdef", "polynomial"},
                        {"0x8003", "0x80g3", "polynomial"},
                        {"lsb_first", "lsb", "bit_order"},
                        {"\"restart_bytes\": 512", "\"restart_bytes\": 513", "restart_bytes"},
                        {"\"restart_bytes\": 512", "\"restart_bytes\": 0", "restart_bytes"}}) {
    std::string text = to_text(register_key());
    text.replace(text.find(c.from), std::string_view(c.from).size(), c.to);
    const auto key = parse_key(text);
    ASSERT_FALSE(key) << c.to;
    EXPECT_NE(key.error().text().find(c.says), std::string::npos) << key.error().text();
  }
}

TEST(WhiteningKey, TableAndRegisterExcludeEachOther) {
  std::string both = to_text(table_key()), none = both;
  both.insert(both.rfind('}'),
              R"(, "register": {"polynomial": "0x8003", "bit_order": "lsb_first", "restart_bytes": 6})");
  EXPECT_FALSE(parse_key(both));
  none = none.substr(0, none.find(",\n  \"table\"")) + "}";
  EXPECT_FALSE(parse_key(none));
}

TEST(WhiteningKey, ALaterSchemaIsSaidToBeLater) {
  std::string text = to_text(table_key());
  text.replace(text.find("whitening/1"), 11, "whitening/2");
  EXPECT_EQ(parse_key(text).error().code(), ErrorCode::version_unknown);
}

TEST(Unwhitener, TakesTheSequenceOfBlockAndPage) {
  const WhiteningKey key = table_key();
  Unwhitener unwhitener(key);
  Bytes page = random_bytes(528, 1);
  for (std::size_t i = 0; i < 4; ++i)
    page[i] = static_cast<std::uint8_t>(0x40 ^ (i + 1));  // one value beneath it, in all six
  page[512] = 0x40 ^ 5;
  page[513] = 0x40 ^ 6;
  Bytes expected = page, changed = page;
  ASSERT_EQ(unwhitener.apply(changed, 5, 2),
            Unwhitened::proven);  // block 5 of two: the second; page 2 of two: the first
  std::fill_n(expected.begin(), 4, std::uint8_t{0x40});
  std::fill_n(expected.begin() + 512, 2, std::uint8_t{0x40});
  EXPECT_EQ(changed, expected);
}

TEST(Unwhitener, LeavesErasedPagesAndUnknownSequences) {
  const WhiteningKey key = table_key();
  Unwhitener unwhitener(key);
  Bytes erased(528, 0xFF), page = random_bytes(528, 2);
  EXPECT_EQ(unwhitener.apply(erased, 0, 0), Unwhitened::erased);
  EXPECT_EQ(erased, Bytes(528, 0xFF));
  EXPECT_EQ(unwhitener.apply(page, 0, 1), Unwhitened::unknown_sequence);
  EXPECT_EQ(page, random_bytes(528, 2));
}

TEST(Unwhitener, LeavesPagesThatArePlainerAsTheyStand) {
  WhiteningKey key = table_key();
  key.bytes = {{0, 512}};
  Bytes mask = random_bytes(528, 3);
  mask.resize(512);
  key.whitening = SequenceTable{.period = {}, .sequences = {mask}};
  Unwhitener unwhitener(key);
  Bytes plain(528, 'a'), whitened(528, 'a');
  for (std::size_t i = 0; i < 512; ++i) whitened[i] = static_cast<std::uint8_t>(whitened[i] ^ mask[i]);
  EXPECT_EQ(unwhitener.apply(plain, 0, 0), Unwhitened::plainer);
  EXPECT_EQ(plain, Bytes(528, 'a'));
  EXPECT_EQ(unwhitener.apply(whitened, 0, 0), Unwhitened::proven);
  EXPECT_EQ(whitened, Bytes(528, 'a'));
}

// A key of random sequences, one for each page of a block, and pages under them.
class UnwhitenerOnTheWordOfOthers : public ::testing::Test {
 protected:
  static constexpr std::uint32_t kSequences = 8;
  enum Contents { text, random, not_whitened };

  static WhiteningKey key() {
    WhiteningKey out = table_key();
    out.pages_per_block = kSequences;
    out.bytes = {{0, 512}};
    SequenceTable table{.period = {.pages = kSequences}, .sequences = {}};
    for (std::uint32_t i = 0; i < kSequences; ++i) table.sequences.push_back(sequence(i));
    out.whitening = std::move(table);
    return out;
  }
  static Bytes sequence(std::uint32_t page) {
    Bytes out = random_bytes(528, 100 + page);
    out.resize(512);
    return out;
  }
  void learn(std::uint32_t page, Contents contents, unsigned count = 1) {
    for (; count > 0; --count) {
      Bytes raw = contents == random ? random_bytes(528, ++seed_) : Bytes(528, 'a');
      const Bytes mask = sequence(page);
      for (std::size_t i = 0; i < 512 && contents == text; ++i)
        raw[i] = static_cast<std::uint8_t>(raw[i] ^ mask[i]);
      unwhitener_.learn(raw, 0, page);
    }
  }
  Unwhitened of_random(std::uint32_t page) {
    const Bytes before = random_bytes(528, ++seed_);
    Bytes after = before;
    const Unwhitened outcome = unwhitener_.apply(after, 0, page);
    EXPECT_EQ(after == before, !taken_off(outcome));
    return outcome;
  }

  const WhiteningKey key_ = key();
  Unwhitener unwhitener_{key_};
  unsigned seed_ = 5000;
};

TEST_F(UnwhitenerOnTheWordOfOthers, NothingIsTakenWhereNoPageSpeaksForTheKey) {
  EXPECT_EQ(of_random(0), Unwhitened::unproven);
  for (std::uint32_t page = 0; page < kSequences; ++page) learn(page, random, 3);
  EXPECT_FALSE(unwhitener_.fits());
  EXPECT_EQ(of_random(0), Unwhitened::unproven);
}

TEST_F(UnwhitenerOnTheWordOfOthers, PagesOfTheSameSequenceSpeakForIt) {
  learn(0, text);
  learn(0, random, 50);
  EXPECT_TRUE(unwhitener_.fits());
  EXPECT_EQ(of_random(0), Unwhitened::assumed);
  EXPECT_EQ(of_random(1), Unwhitened::assumed)
      << "one sequence of one is proven, and no page under this one is silent";
  learn(0, not_whitened);
  EXPECT_EQ(of_random(0), Unwhitened::unproven) << "as many speak against it";
}

TEST_F(UnwhitenerOnTheWordOfOthers, ASilentSequenceIsTakenBesideOthersThatNearlyAllAreRight) {
  for (std::uint32_t page = 0; page < 5; ++page) {
    learn(page, text, 4);
    learn(page, random, 4);
  }
  for (std::uint32_t page = 5; page < kSequences; ++page) learn(page, random);
  EXPECT_EQ(of_random(7), Unwhitened::unproven) << "five of eight are right";
  learn(5, text);
  EXPECT_EQ(of_random(7), Unwhitened::assumed) << "six of eight";
  learn(7, not_whitened);
  EXPECT_EQ(of_random(7), Unwhitened::unproven) << "a page speaks against it";
}

TEST_F(UnwhitenerOnTheWordOfOthers, ASequenceUnderWhichManyPagesAreSilentIsNotTaken) {
  for (std::uint32_t page = 0; page < kSequences - 1; ++page) {
    learn(page, text, 20);
    learn(page, random, 20);
  }
  learn(7, random, 4);
  EXPECT_EQ(of_random(7), Unwhitened::assumed) << "half of the pages are silent: four in a row are no wonder";
  learn(7, random, 16);
  EXPECT_EQ(of_random(7), Unwhitened::unproven) << "twenty are";
}

TEST_F(UnwhitenerOnTheWordOfOthers, SettledOnceEverySequenceIsProvenSeveralTimes) {
  for (std::uint32_t page = 0; page < kSequences; ++page) {
    EXPECT_FALSE(unwhitener_.settled());
    learn(page, text, 8);
  }
  EXPECT_TRUE(unwhitener_.settled());
  learn(3, not_whitened, 4);
  EXPECT_FALSE(unwhitener_.settled());
}

TEST(Unwhitener, ARegisterTellsWhereItWasCaught) {
  WhiteningKey key = table_key();
  key.bytes = {{0, 512}};
  Register shift_register{.feedback = {0x8003}, .order = BitOrder::msb_first, .restart_bytes = 256};
  key.whitening = shift_register;
  Bytes half(256);  // x^15 + x + 1, by its definition
  unsigned state = 0x1234;
  for (std::size_t i = 0; i < half.size() * 8; ++i) {
    const unsigned bit = (state >> 14 ^ state >> 13) & 1;
    state = (state << 1 | bit) & 0x7FFF;
    if (bit) half[i / 8] = static_cast<std::uint8_t>(half[i / 8] | 0x80 >> i % 8);
  }
  Unwhitener unwhitener(key);
  Bytes both = random_bytes(528, 5), one = random_bytes(528, 5), none = random_bytes(528, 5);
  std::copy(half.begin(), half.end(), both.begin());
  std::copy(half.begin(), half.end(), both.begin() + 256);
  std::copy(half.begin(), half.end(), one.begin() + 256);
  EXPECT_EQ(unwhitener.apply(both, 0, 0), Unwhitened::proven);
  EXPECT_EQ(Bytes(both.begin(), both.begin() + 512), Bytes(512, 0));
  EXPECT_EQ(unwhitener.apply(one, 0, 0), Unwhitened::partly);
  EXPECT_EQ(Bytes(one.begin() + 256, one.begin() + 512), Bytes(256, 0));
  EXPECT_EQ(Bytes(one.begin(), one.begin() + 256), Bytes(none.begin(), none.begin() + 256)) << "the piece that was not caught stands";
  EXPECT_EQ(unwhitener.apply(none, 0, 0), Unwhitened::not_caught);
  unwhitener.learn(none, 0, 0);
  EXPECT_FALSE(unwhitener.fits());
  EXPECT_EQ(none, random_bytes(528, 5));
}

TEST(CheckFits, ComparesPagesAndBlocks) {
  Geometry geometry{.page_bytes = 512, .spare_bytes = 16, .pages_per_block = 4, .blocks = 9};
  EXPECT_TRUE(check_fits(table_key(), geometry));
  geometry.spare_bytes = 64;
  EXPECT_FALSE(check_fits(table_key(), geometry));
}

}  // namespace
}  // namespace steadycell::assess
