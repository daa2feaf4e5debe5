#include "api/message.h"

#include <gtest/gtest.h>

#include "api/failure.h"

namespace steadycell::api {
namespace {

TEST(Message, RequestNamesMethodAndParameters) {
  const Received received = parse_request(R"({"id": 7, "method": "chip.read", "params": {"passes": 5}})");
  ASSERT_TRUE(received.request) << received.request.error().text();
  EXPECT_EQ(received.id, 7);
  EXPECT_EQ(received.request->method, "chip.read");
  EXPECT_EQ(json::text_of(received.request->params), R"({"passes":5})");
  EXPECT_EQ(json::text_of(parse_request(R"({"id": 0, "method": "daemon.status"})").request->params), "{}");
}

TEST(Message, RefusalCarriesTheIdAsSoonAsItIsKnown) {
  const Received nameless = parse_request(R"({"id": 7})");
  EXPECT_EQ(nameless.id, 7);
  ASSERT_FALSE(nameless.request);
  EXPECT_EQ(nameless.request.error().code(), ErrorCode::bad_message);
  const Received broken = parse_request(R"({"id": 7, )");
  EXPECT_TRUE(broken.id.is_null());
  EXPECT_NE(broken.request.error().what().find("byte"), std::string::npos);
}

TEST(Message, ErrorComesBackWithAllItSays) {
  const Error sent = Error(ErrorCode::board_busy, "held by another").at("board 1").keeping("all of it").advising("wait");
  const auto back = error_of(to_json(sent).at("error"));
  ASSERT_TRUE(back) << back.error().text();
  EXPECT_EQ(back->text(), sent.text());
  EXPECT_EQ(back->exit_code(), 9);
  const auto newer = error_of(json::Object{{"code", "e699"}, {"what", "too new"}});
  ASSERT_TRUE(newer);
  EXPECT_EQ(newer->code(), ErrorCode::internal);
  EXPECT_NE(newer->what().find("e699"), std::string::npos);
  EXPECT_FALSE(error_of(json::Object{{"code", 7}}));
  EXPECT_FALSE(error_of(json::Value("e101")));
}

TEST(Message, ProgressComesBackWithWhatIsNotKnown) {
  Progress sent{.stage = "reading pass 1 of 2", .unit = "blocks", .done = 3, .total = 64, .bytes = 99};
  const auto back = progress_of(to_json(sent).get_object());
  ASSERT_TRUE(back) << back.error().text();
  EXPECT_EQ(json::text_of(to_json(*back)), json::text_of(to_json(sent)));
  sent.bytes_per_second = 1e6;
  sent.seconds_left = 12.5;
  EXPECT_EQ(json::text_of(to_json(*progress_of(to_json(sent).get_object()))), json::text_of(to_json(sent)));
  EXPECT_FALSE(progress_of(json::Object{{"stage", "x"}}));
}

TEST(Message, ResultThatIsTooLongBecomesAnError) {
  const std::string line = answer_line(7, json::Object{{"text", std::string(kMaxAnswerBytes, 'x')}});
  EXPECT_LE(line.size(), kMaxAnswerBytes);
  EXPECT_NE(line.find("\"e601\""), std::string::npos);
}

std::vector<std::string> lines_of(const std::string& stream, std::size_t limit, std::size_t piece) {
  LineReader reader(limit);
  std::vector<std::string> lines;
  for (std::size_t at = 0; at < stream.size(); at += piece)
    reader.feed(std::string_view(stream).substr(at, piece), [&](const LineReader::Line& line) {
      lines.push_back(line.too_long ? "too long" : std::string(line.text));
      return true;
    });
  return lines;
}

TEST(LineReader, CutsTheSameLinesHoweverTheBytesArrive) {
  const std::vector<std::string> expected{"one", "", "three", "too long", "12345", "too long", "end"};
  for (std::size_t piece = 1; piece < 40; ++piece)
    EXPECT_EQ(lines_of("one\n\nthree\n123456\n12345\n" + std::string(30, 'x') + "\nend\ncut", 5, piece), expected) << piece;
}

TEST(LineReader, StopsWhenItsCallerHasEnough) {
  LineReader reader(10);
  int told = 0;
  reader.feed("a\nb\nc\n", [&](const LineReader::Line&) { return ++told < 2; });
  EXPECT_EQ(told, 2);
}

}  // namespace
}  // namespace steadycell::api
