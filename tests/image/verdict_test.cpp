#include "image/verdict.h"

#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include <clocale>
#include <limits>

namespace steadycell::image {
namespace {

Result<std::vector<PageVerdict>> parse(std::string_view text, std::size_t piece = std::string_view::npos) {
  VerdictParser parser;
  std::vector<PageVerdict> rows;
  const VerdictParser::Sink sink = [&](const PageVerdict& v) -> Result<void> {
    rows.push_back(v);
    return {};
  };
  while (!text.empty()) {
    if (auto fed = parser.feed(text.substr(0, piece), sink); !fed) return failure(fed.error());
    text.remove_prefix(std::min(piece, text.size()));
  }
  if (auto done = parser.finish(sink); !done) return failure(done.error());
  return rows;
}

std::string with_header(std::string_view rows) {
  return std::string(kVerdictHeader) + "\n" + std::string(rows);
}

TEST(Verdicts, LineReadsAsDocumented) {
  PageVerdict v;
  v.place = {1, 0};
  v.page = {4711};
  v.verdict = Verdict::corrected;
  v.by = By::code;
  v.unstable_bits = 12;
  v.corrected_bits = 3;
  v.false_odds = 2.5e-9;
  v.cause = Cause::weak_cells;
  std::string line;
  append_line(v, line);
  EXPECT_EQ(line, "1,0,4711,corrected,code,12,3,2.5e-09,weak_cells\n");
}

RC_GTEST_PROP(Verdicts, AnyRowsReadBackTheSameInAnyPieces, ()) {
  std::vector<PageVerdict> rows;
  std::string text = with_header("");
  std::uint32_t page = 0;
  const int count = *rc::gen::inRange(0, 20);
  for (int i = 0; i < count; ++i) {
    PageVerdict v;
    page += *rc::gen::inRange<std::uint32_t>(1, 100000);
    v.page = {page};
    v.verdict = static_cast<Verdict>(*rc::gen::inRange(0, 5));
    v.unstable_bits = *rc::gen::arbitrary<std::uint32_t>();
    v.cause = static_cast<Cause>(*rc::gen::inRange(0, 12));
    if (v.verdict != Verdict::confirmed) v.corrected_bits = *rc::gen::arbitrary<std::uint32_t>();
    if (v.verdict == Verdict::confirmed || v.verdict == Verdict::corrected) {
      v.by = *rc::gen::element(By::code, By::erased);
      v.false_odds = 1e-6 / (*rc::gen::inRange(1, 1 << 30));
    }
    rows.push_back(v);
    append_line(v, text);
  }
  const auto parsed = parse(text, *rc::gen::inRange<std::size_t>(1, 70));
  RC_ASSERT(parsed.has_value());
  RC_ASSERT(*parsed == rows);
}

TEST(Verdicts, LocaleWithADecimalCommaChangesNothing) {
  const char* set = nullptr;
  for (const char* name : {"de_DE.UTF-8", "tr_TR.UTF-8", "C.UTF-8"})
    if ((set = std::setlocale(LC_ALL, name))) break;
  PageVerdict v;
  v.verdict = Verdict::confirmed;
  v.by = By::code;
  v.false_odds = 0.5e-6;
  std::string line;
  append_line(v, line);
  const auto rows = parse(with_header(line));
  std::setlocale(LC_ALL, "C");
  ASSERT_TRUE(set);
  EXPECT_EQ(line, "0,0,0,confirmed,code,0,0,5e-07,none\n");
  ASSERT_TRUE(rows) << rows.error().text();
}

TEST(Verdicts, LastLineWithoutNewlineCounts) {
  const auto rows = parse(with_header("0,0,0,steady,vote,0,0,,none\n0,0,1,unread,vote,0,0,,transfer"));
  ASSERT_TRUE(rows) << rows.error().text();
  EXPECT_EQ(rows->size(), 2u);
}

TEST(Verdicts, HostileRowsAreRefusedWithTheirLine) {
  const struct {
    const char* row;
    const char* says;
  } cases[] = {
      {"", "1 columns"},
      {"0,0,0,steady,vote,0,0,", "8 columns"},
      {"0,0,0,steady,vote,0,0,,none,more", "10 columns"},
      {"-1,0,0,steady,vote,0,0,,none", "target"},
      {"256,0,0,steady,vote,0,0,,none", "target"},
      {"0,0x1,0,steady,vote,0,0,,none", "lun"},
      {"0,0,4294967296,steady,vote,0,0,,none", "page"},
      {"0,0,18446744073709551616,steady,vote,0,0,,none", "page"},
      {"0,0, 0,steady,vote,0,0,,none", "page"},
      {"0,0,0,Steady,vote,0,0,,none", "verdict"},
      {"0,0,0,steady,guess,0,0,,none", "by"},
      {"0,0,0,steady,vote,1.5,0,,none", "unstable_bits"},
      {"0,0,0,steady,vote,0,,,none", "corrected_bits"},
      {"0,0,0,doubtful,code,0,0,nan,none", "false_odds"},
      {"0,0,0,doubtful,code,0,0,1.01,none", "false_odds"},
      {"0,0,0,doubtful,code,0,0,-0.1,none", "false_odds"},
      {"0,0,0,doubtful,code,0,0,\"0,1\",none", "10 columns"},
      {"0,0,0,steady,vote,0,0,,\x1b[31mred", "\\x1b"},
      {"0,0,0,steady,vote,0,0,,none\r", "cause"},
      {"0,0,0,confirmed,vote,0,0,1e-9,none", "needs a code"},
      {"0,0,0,confirmed,code,0,0,,none", "needs a code"},
      {"0,0,0,corrected,code,0,4,1e-5,none", "at most 1e-06"},
      {"0,0,0,confirmed,code,0,4,1e-9,none", "4 corrected bits"},
  };
  for (const auto& c : cases) {
    const auto rows = parse(with_header(std::string(c.row) + "\n"));
    ASSERT_FALSE(rows) << c.row;
    EXPECT_EQ(rows.error().code(), ErrorCode::bad_input_file);
    EXPECT_NE(rows.error().what().find("line 2"), std::string::npos) << rows.error().what();
    EXPECT_NE(rows.error().what().find(c.says), std::string::npos) << c.row << " -> " << rows.error().what();
  }
}

TEST(Verdicts, RowsTwiceOrOutOfOrderAreRefused) {
  const std::string row = "0,0,7,steady,vote,0,0,,none\n";
  EXPECT_FALSE(parse(with_header(row + row)));
  EXPECT_FALSE(parse(with_header(row + "0,0,6,steady,vote,0,0,,none\n")));
  EXPECT_TRUE(parse(with_header(row + "0,1,0,steady,vote,0,0,,none\n1,0,0,steady,vote,0,0,,none\n")));
}

TEST(Verdicts, ForeignHeaderAndEmptyFileAreRefused) {
  EXPECT_FALSE(parse(""));
  EXPECT_FALSE(parse("page,verdict\n0,steady\n"));
}

TEST(Verdicts, EndlessLineIsRefusedBeforeItFillsMemory) {
  VerdictParser parser;
  const VerdictParser::Sink ignore = [](const PageVerdict&) -> Result<void> { return {}; };
  const std::string piece(200, '1');
  ASSERT_TRUE(parser.feed(piece, ignore));
  EXPECT_FALSE(parser.feed(piece, ignore));
}

TEST(Verdicts, CountsAddUp) {
  VerdictCounts counts;
  PageVerdict v;
  v.verdict = Verdict::corrected;
  v.unstable_bits = 5;
  v.corrected_bits = 2;
  counts.add(v);
  counts.add(v);
  v.verdict = Verdict::unread;
  counts.add(v);
  EXPECT_EQ(counts.of(Verdict::corrected), 2u);
  EXPECT_EQ(counts.of(Verdict::unread), 1u);
  EXPECT_EQ(counts.total(), 3u);
  EXPECT_EQ(counts.unstable_bits, 15u);
  EXPECT_EQ(counts.corrected_bits, 6u);
}

TEST(Verdicts, CausesOfTheVoteKeepTheirNames) {
  for (const auto cause : {vote::Cause::none, vote::Cause::weak_cells, vote::Cause::one_lane})
    EXPECT_EQ(name_of(cause_from(cause)), vote::to_text(cause));
}

}  // namespace
}  // namespace steadycell::image
