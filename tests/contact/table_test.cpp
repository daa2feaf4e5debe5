#include "contact/table.h"

#include <gmock/gmock.h>

#include <fstream>
#include <iterator>

namespace steadycell::contact {
namespace {

using ::testing::HasSubstr;

std::string shared_cases() {
  std::ifstream file(std::string(STEADYCELL_TEST_DATA) + "/contact/contact_cases.csv");
  return {std::istreambuf_iterator<char>(file), {}};
}

constexpr std::string_view kHeader = "case,position,v_at_plus100uA_mV,v_at_minus100uA_mV,short_to\n";

std::string one_case(std::string_view name) {
  std::string out(kHeader);
  for (unsigned p = 1; p <= kPositions; ++p)
    out += is_supply(p) ? fmt::format("{},{},,,\n", name, p) : fmt::format("{},{},1500,-1500,\n", name, p);
  return out + fmt::format("{},RAIL,1500,-1500,\n", name);
}

std::string error_of(const std::string& csv) {
  const auto table = parse_table(csv);
  if (table) return "";
  EXPECT_EQ(table.error().code(), ErrorCode::bad_input_file);
  return table.error().what() + " " + table.error().where();
}

TEST(Table, ReadsEveryCaseInOrder) {
  const auto table = parse_table(shared_cases());
  ASSERT_TRUE(table) << table.error().text();
  ASSERT_EQ(table->size(), 11u);
  EXPECT_EQ(table->front().name, "ok_1ce");
  EXPECT_EQ(table->back().name, "dead_supply_short");
}

TEST(Table, ColumnsMayComeInAnyOrderAndCaseAndShortToMayBeMissing) {
  std::string csv = "# made by hand\r\nv_at_minus100uA_mV , position,v_at_plus100uA_mV\r\n";
  for (unsigned p = 1; p <= kPositions; ++p)
    if (!is_supply(p)) csv += fmt::format("-512.4,{},602.6\r\n", p);
  const auto table = parse_table(csv + "-470,RAIL,2500\r\n");
  ASSERT_TRUE(table) << table.error().text();
  ASSERT_EQ(table->size(), 1u);
  const Readings& readings = table->front().readings;
  EXPECT_EQ(readings.positions[6].plus_mV, 603);
  EXPECT_EQ(readings.positions[6].minus_mV, -512);
  EXPECT_EQ(readings.rail.plus_mV, 1500) << "beyond the compliance nothing is measured";
  EXPECT_EQ(readings.positions[11].plus_mV, 0) << "a supply position that was not measured";
}

TEST(Table, WhatIsWrongIsNamedWithItsLine) {
  const std::string good = one_case("a");
  EXPECT_EQ(error_of(good), "");
  EXPECT_THAT(error_of(""), HasSubstr("no row"));
  EXPECT_THAT(error_of("position,volts\n1,2\n"), HasSubstr("v_at_plus100uA_mV"));
  EXPECT_THAT(error_of(good + "a,3,1500,-1500,\n"), HasSubstr("twice"));
  EXPECT_THAT(error_of(std::string(kHeader) + "a,49x,1,-1,\n"), HasSubstr("line 2"));
  EXPECT_THAT(error_of(std::string(kHeader) + "a,50,1,-1,\n"), HasSubstr("expected 1 to 48 or RAIL"));
  EXPECT_THAT(error_of(std::string(kHeader) + "a,5,1,\n"), HasSubstr("4 fields, 5 expected"));
  EXPECT_THAT(error_of(std::string(kHeader) + "a,5,nan,-1,\n"), HasSubstr("expected two voltages"));
  EXPECT_THAT(error_of(std::string(kHeader) + "a,5,,,\n"), HasSubstr("expected two voltages"));
  EXPECT_THAT(error_of(std::string(kHeader) + "a,5,1,-1,5\n"), HasSubstr("short_to"));
  EXPECT_THAT(error_of(good.substr(0, good.rfind("a,RAIL"))), HasSubstr("no row for RAIL"));
  std::string without_nine = good;
  without_nine.erase(without_nine.find("a,9,"), std::string("a,9,1500,-1500,\n").size());
  EXPECT_THAT(error_of(without_nine), HasSubstr("position 9"));
}

TEST(Table, WhatCannotBeMeasuredSoIsRefusedWithTheCure) {
  const auto refused = [](std::string csv) {
    const auto table = parse_table(csv);
    return table ? std::string() : table.error().text();
  };
  const std::string good = one_case("a");
  const auto with = [&](std::string_view from, std::string_view to) {
    std::string csv = good;
    for (std::size_t at = 0; (at = csv.find(from, at)) != std::string::npos; at += to.size()) csv.replace(at, from.size(), to);
    return csv;
  };
  EXPECT_THAT(refused(with("1500,-1500", "-600,560")), HasSubstr("the sign is the wrong way round"));
  EXPECT_THAT(refused(with("1500,-1500", "600,560")), HasSubstr("the sign is the wrong way round"));
  EXPECT_THAT(refused(with("1500,-1500", "1.5,-1.5")), HasSubstr("these look like volts"));
  EXPECT_THAT(refused(with("1500,-1500", "OL,OL")), HasSubstr("1500 and -1500"));
  EXPECT_THAT(refused(with("RAIL", "49")), HasSubstr("expected 1 to 48 or RAIL"));
  EXPECT_THAT(refused(with(",", ";")), HasSubstr("semicolons"));
  EXPECT_THAT(refused(with(",", "\t")), HasSubstr("tabs"));
  EXPECT_EQ(refused(with("RAIL", "rail")), "");
  EXPECT_EQ(refused(with("1500,-1500", "1500,12")), "") << "an offset near 0";
}

TEST(Table, EveryPrefixIsReadOrRefused) {
  const std::string whole = one_case("a");
  for (std::size_t n = 0; n + 2 < whole.size(); ++n) EXPECT_FALSE(parse_table(whole.substr(0, n))) << n;
}

TEST(Map, WhatIsWrongIsNamedByItsKey) {
  const auto error_in = [](const std::string& json) {
    const auto map = parse_map(json);
    return map ? std::string() : map.error().what();
  };
  const std::string lanes = R"("I/O0":29,"I/O1":30,"I/O2":31,"I/O3":32,"I/O4":41,"I/O5":42,"I/O6":43,"I/O7":44)";
  const auto map = [&](const std::string& signals, const std::string& more = "") {
    return R"({"schema":"steadycell-socket-map/1","name":"mine","title":"t","package":"TSOP48","source":"data sheet",)" + more +
           R"("signals":{)" + signals + "}}";
  };
  EXPECT_EQ(error_in(map("\"CE#\":9," + lanes)), "");
  EXPECT_THAT(error_in(map(lanes)), HasSubstr("CE#"));
  EXPECT_THAT(error_in(map("\"CE#\":12," + lanes)), HasSubstr("signals.CE#"));
  EXPECT_THAT(error_in(map("\"CE#\":49," + lanes)), HasSubstr("signals.CE#"));
  EXPECT_THAT(error_in(map("\"CE#\":29," + lanes)), HasSubstr("position of its own"));
  EXPECT_THAT(error_in(map("\"CE#\":9," + lanes, "\"may_be_ground\":[9],")), HasSubstr("may_be_ground[0]"));
  EXPECT_THAT(error_in(map("\"CE#\":9," + lanes, "\"colour\":1,")), HasSubstr("colour"));
  EXPECT_THAT(error_in(map("\"CE#\":9," + lanes, "\"contacts\":{\"RE#\":\"D4\"},")), HasSubstr("contacts.RE#"));
  EXPECT_THAT(error_in("{\"schema\":\"steadycell-fixture/1\"}"), HasSubstr("schema"));
}

}  // namespace
}  // namespace steadycell::contact
