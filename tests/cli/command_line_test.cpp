#include "cli/command_line.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <sstream>

namespace steadycell::cli {
namespace {

Invocation parsed(const std::vector<std::string>& arguments) {
  auto result = parse_command_line(arguments);
  if (const Answer* answer = std::get_if<Answer>(&result)) throw std::runtime_error(answer->out + answer->err);
  return std::get<Invocation>(result);
}

Answer refused(const std::vector<std::string>& arguments) {
  auto result = parse_command_line(arguments);
  if (std::holds_alternative<Invocation>(result)) throw std::runtime_error("was accepted");
  return std::get<Answer>(result);
}

TEST(CommandLine, BecomesAMethodWithItsParameters) {
  setenv("STEADYCELL_BENCH", "my-bench", 1);
  const Invocation read =
      parsed({"chip", "read", "--board", "sim:f.json", "--passes", "5", "--blocks", "10-19", "--into", "case7", "--json"});
  EXPECT_EQ(read.method, "chip.read");
  EXPECT_TRUE(read.as_json);
  EXPECT_EQ(json::text_of(read.params), R"({"board":"sim:f.json","passes":5,"blocks":[10,19],"into":"case7","bench":"my-bench"})");
  const Invocation import = parsed({"capture", "import", "a.bin", "b.bin", "--page-bytes", "2048", "--spare-bytes", "64", "--into", "c"});
  EXPECT_EQ(json::text_of(import.params), R"({"passes":["a.bin","b.bin"],"page_bytes":2048,"spare_bytes":64,"into":"c"})");
  EXPECT_EQ(parsed({"image", "export", "i", "--what", "data", "--to", "-"}).params.at("to"), "-");
}

TEST(CommandLine, WrongUseIsExitCodeTwoAndNamesWhatIsWrong) {
  for (const std::vector<std::string>& wrong :
       std::vector<std::vector<std::string>>{{},
                                             {"chip"},
                                             {"chip", "erase"},
                                             {"chip", "read"},
                                             {"chip", "read", "--board", "sim:x", "--into", "c"},
                                             {"chip", "read", "--board", "sim:x", "--into", "c", "--passes", "0"},
                                             {"chip", "read", "--board", "sim:x", "--into", "c", "--passes", "256"},
                                             {"chip", "read", "--board", "sim:x", "--into", "c", "--passes", "2", "--blocks", "9-3"},
                                             {"image", "export", "i", "--what", "all", "--to", "f"},
                                             {"chip", "read", "--board", "sim:x", "--into", "c", "--passes", "2", "--blo", "1"},
                                             {"image", "show"}})
    EXPECT_EQ(refused(wrong).exit_code, 2);
  EXPECT_NE(refused({"chip", "read", "--board", "sim:x", "--into", "c", "--passes", "0"}).err.find("1 to 255"), std::string::npos);
}

TEST(CommandLine, WhatIsUnknownIsNamedInItsPlace) {
  EXPECT_EQ(refused({"chpi", "read", "x"}).err,
            "e101 steadycell has no \"chpi\": it has chip, capture, ecc, image, supply, socket, board, demo, status, doctor; see "
            "steadycell --help\n");
  EXPECT_EQ(refused({"chip", "raed", "--board", "x"}).err,
            "e101 steadycell chip has no \"raed\": it has identify, decode, read; see steadycell chip --help\n");
  EXPECT_EQ(refused({"image", "show", "i", "more", "words"}).err,
            "e101 steadycell image show does not know more: see steadycell image show --help\n");
}

TEST(CommandLine, WhatIsMissingIsNamedWithWhatItTakesAndAnExample) {
  EXPECT_EQ(refused({"image", "export", "i", "--to", "f"}).err,
            "e101 steadycell image export needs --what raw|data|spare (raw: page and spare; data: data bytes; spare: the rest): for "
            "example steadycell image export case7-image --what data --to data.bin; steadycell image export --help tells all\n");
  const std::string both = refused({"chip", "read", "--passes", "2"}).err;
  EXPECT_NE(both.find("steadycell chip read needs --board TEXT (the board: sim:FIXTURE.json, "), std::string::npos) << both;
  EXPECT_NE(both.find(" and --into TEXT (capture folder"), std::string::npos) << both;
  EXPECT_EQ(refused({"chip"}).err,
            "e101 no command given: steadycell chip has identify, decode, read; see steadycell chip --help\n");
}

TEST(CommandLine, AnEmptyValueIsASlipAndNotNothing) {
  EXPECT_EQ(refused({"capture", "settle", "case7", "--image", "i", "--ecc", ""}).err,
            "e101 steadycell capture settle: --ecc: its value is empty: see steadycell capture settle --help\n");
  for (const std::vector<std::string>& empty : std::vector<std::vector<std::string>>{{"image", "show", ""},
                                                                                     {"demo", "--out", ""},
                                                                                     {"socket", "check", "--board", "sim:f", "--bench", ""},
                                                                                     {"image", "export", "i", "--what", "", "--to", "f"},
                                                                                     {"chip", "identify", "--board", ""}})
    EXPECT_EQ(refused(empty).exit_code, 2);
  EXPECT_NE(refused({"image", "export", "i", "--what", "", "--to", "f"}).err.find("--what: \"\" should be raw or data or spare"),
            std::string::npos);
}

TEST(CommandLine, AnOptionWithoutItsValueOrGivenTwiceIsTold) {
  const std::string bare = refused({"chip", "identify", "--board"}).err;
  EXPECT_NE(bare.find("--board stands without its value TEXT (the board: sim:FIXTURE.json, "), std::string::npos) << bare;
  EXPECT_EQ(refused({"capture", "export", "c", "--pass", "1", "--pass", "2", "--to", "f"}).err,
            "e101 steadycell capture export: --pass is given more than once: give it once\n");
}

// Every command, so that none is added that tells less.
TEST(CommandLine, EveryCommandSaysWhatItNeeds) {
  unsigned asked = 0;
  for (const CommandFacts& command : describe_commands()) {
    if (std::none_of(command.options.begin(), command.options.end(), [](const OptionFacts& option) { return option.required; })) continue;
    ++asked;
    std::vector<std::string> words;
    std::istringstream in(command.name);
    for (std::string word; in >> word;) words.push_back(word);
    const std::string told = refused(words).err;
    EXPECT_TRUE(told.starts_with("e101 steadycell " + command.name + " needs ")) << told;
    EXPECT_NE(told.find("for example steadycell " + command.name + " "), std::string::npos) << told;
    EXPECT_NE(told.find("steadycell " + command.name + " --help"), std::string::npos) << told;
    for (const OptionFacts& option : command.options) {
      const std::string named = option.name + (option.positional ? "" : " " + option.value);
      EXPECT_TRUE(!option.required || told.find(named) != std::string::npos) << named << " in " << told;
    }
  }
  EXPECT_GT(asked, 15u);
}

TEST(CommandLine, AValueThatIsNotTakenIsToldWithThoseThatAre) {
  const std::string supply = refused({"chip", "identify", "--board", "sim:x", "--supply-mV", "2500"}).err;
  EXPECT_NE(supply.find("\"2500\" should be 1800 or 3300"), std::string::npos) << supply;
  for (const std::vector<std::string>& wrong : std::vector<std::vector<std::string>>{
           {"supply", "record", "--board", "sim:x", "--to", "x.txt"}, {"supply", "record", "--board", "sim:x", "--to", ".csv"},
           {"supply", "record", "--board", "sim:x", "--to", "x.csv", "--burst", "b.gz"}})
    EXPECT_NE(refused(wrong).err.find("should end in .csv or .csv.gz"), std::string::npos);
  EXPECT_NE(refused({"supply", "plot", "t.csv", "--to", "x.txt"}).err.find("should end in .svg"), std::string::npos);
  EXPECT_NE(refused({"socket", "check", "--board", "sim:x", "--svg", "x.png"}).err.find("should end in .svg"), std::string::npos);
}

TEST(CommandLine, WrongUseWithJsonIsAnErrorObject) {
  const Answer answer = refused({"image", "show", "--json"});
  EXPECT_TRUE(answer.err.empty());
  const auto value = json::parse(answer.out);
  ASSERT_TRUE(value);
  EXPECT_EQ(value->at("error").at("code"), "e101");
}

TEST(CommandLine, HelpAndVersionLeaveWithZero) {
  EXPECT_EQ(refused({"--help"}).exit_code, 0);
  EXPECT_NE(refused({"chip", "read", "--help"}).out.find("Examples"), std::string::npos);
  EXPECT_NE(refused({"--version"}).out.find("steadycell 0."), std::string::npos);
}

}  // namespace
}  // namespace steadycell::cli
