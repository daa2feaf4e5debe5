#include "capture/identify.h"

#include <fstream>

#include "chips.h"

namespace steadycell::capture {
namespace {

using namespace testing;

constexpr Millivolts kUsersWord{3300};

// Identifies and powers down, as `chip identify` does; the socket must be off behind it.
Result<Found> identify(simbench::SimSession& session, std::optional<Millivolts> consent) {
  Result<Found> out = failure(ErrorCode::internal, "did not run");
  with_board(session, [&](board::BoardClient& board) -> asio::awaitable<void> {
    IdentifyOptions options;
    options.consent = consent;
    auto powered = co_await power_and_identify(board, options);
    if (!powered) {
      out = failure(powered.error());
    } else {
      const auto down = co_await powered->lease.power_down();
      EXPECT_TRUE(down);
      out = std::move(powered->found);
    }
    EXPECT_LT(session.board().socket_mv(), 100u);
  });
  return out;
}

bool mentions(const std::vector<std::string>& notes, std::string_view text) {
  return std::any_of(notes.begin(), notes.end(), [&](const std::string& note) { return note.find(text) != std::string::npos; });
}

TEST(Identify, ChipThatIsSilentAt1800mVNeedsTheUsersWord) {
  simbench::SimSession session(slc_chip());
  const auto found = identify(session, std::nullopt);
  ASSERT_FALSE(found);
  EXPECT_EQ(found.error().code(), ErrorCode::needs_consent);
  EXPECT_EQ(found.error().exit_code(), 6);
  EXPECT_NE(found.error().next().find("--supply-mV 3300"), std::string::npos);
}

TEST(Identify, WithTheUsersWordItIsReadAt3300mV) {
  simbench::SimSession session(slc_chip());
  const auto found = identify(session, kUsersWord);
  ASSERT_TRUE(found) << found.error().text();
  ASSERT_EQ(found->targets.size(), 1u);
  EXPECT_EQ(hex_spaced(chip::trimmed_id(found->targets[0].id_bytes)), "EC DC 10 95 54");
  EXPECT_EQ(found->targets[0].chip.geometry.page_bytes, 2048u);
  EXPECT_EQ(found->supply, Millivolts(3300));
  EXPECT_TRUE(mentions(found->notes, "on the user's word"));
  EXPECT_TRUE(session.board().violations().empty()) << session.board().violations()[0].text;
}

TEST(Identify, ChipOf1800mVNeedsNoWordAndNeverGetsMore) {
  simbench::SimSession session(low_voltage_chip());
  for (const auto& consent : {std::optional<Millivolts>(), std::optional(kUsersWord)}) {
    const auto found = identify(session, consent);
    ASSERT_TRUE(found) << found.error().text();
    EXPECT_EQ(found->supply, Millivolts(1800));
    session.reconnect();
  }
  EXPECT_TRUE(session.board().violations().empty()) << session.board().violations()[0].text;  // 3.3 V would destroy it
}

// An ID that says nothing of the supply is no ground for 3.3 V: the board must hear of the user's word, and counts it.
TEST(Identify, ChipThatAnswersWithoutNamingItsSupplyGets3300mVOnTheUsersWordOnly) {
  simbench::Fixture fixture = chip_of("2C 99 90 95 54", large_page());
  fixture.chip->supply_mv = 2000;  // so that it answers at 1.8 V
  for (const auto& consent : {std::optional<Millivolts>(), std::optional(kUsersWord)}) {
    simbench::SimSession session(fixture);
    scp_board_state state{};
    with_board(session, [&](board::BoardClient& board) -> asio::awaitable<void> {
      IdentifyOptions options;
      options.consent = consent;
      auto powered = co_await power_and_identify(board, options);
      const auto told = co_await board.state();
      EXPECT_TRUE(told);
      if (told) state = *told;
      if (powered) {
        EXPECT_TRUE(co_await powered->lease.power_down());
      }
    });
    EXPECT_EQ(state.consents, consent ? 1u : 0u);
  }
}

TEST(Identify, WriteProtectThatReadsHighIsANote) {
  simbench::Fixture fixture = slc_chip();
  fixture.board.wp_high = true;
  simbench::SimSession session(fixture);
  const auto found = identify(session, kUsersWord);
  ASSERT_TRUE(found) << found.error().text();
  EXPECT_TRUE(mentions(found->notes, "WP# is not low: the status of target 0"));
  simbench::SimSession low(slc_chip());
  const auto quiet = identify(low, kUsersWord);
  ASSERT_TRUE(quiet) << quiet.error().text();
  EXPECT_FALSE(mentions(quiet->notes, "WP#"));
}

TEST(Identify, F15_ReadyLineStuckLowIsANote) {
  simbench::SimSession session(slc_chip());
  session.board().faults().ready_pin = simbench::Faults::ReadyPin::stuck_busy;
  const auto found = identify(session, kUsersWord);
  ASSERT_TRUE(found) << found.error().text();
  EXPECT_TRUE(mentions(found->notes, "R/B# of target 0 does not rise after RESET"));
}

TEST(Identify, EmptySocketIsNoChipAndGetsNoPower) {
  simbench::Fixture fixture;
  fixture.board.port_load_ohm = 100;
  simbench::SimSession session(fixture);
  const auto found = identify(session, kUsersWord);
  ASSERT_FALSE(found);
  EXPECT_EQ(found.error().code(), ErrorCode::no_chip);
  EXPECT_EQ(found.error().exit_code(), 4);
}

TEST(Identify, EmptySocketOnABoardWithoutContactsIsNoChipAfterTheUsersWord) {
  simbench::Fixture fixture;
  fixture.board.port_load_ohm = 100;
  simbench::SimSession session(fixture);
  hide_contacts(session);
  const auto found = identify(session, kUsersWord);
  ASSERT_FALSE(found);
  EXPECT_EQ(found.error().code(), ErrorCode::no_chip);
  EXPECT_NE(found.error().what().find("FF FF"), std::string::npos) << found.error().what();
}

TEST(Identify, F37_IdThatChangesIsToldWithThreeReadings) {
  simbench::SimSession session(low_voltage_chip());
  session.board().faults().id_changes = true;
  const auto found = identify(session, std::nullopt);
  ASSERT_FALSE(found);
  EXPECT_EQ(found.error().code(), ErrorCode::unstable_id);
  const std::string& what = found.error().what();
  EXPECT_NE(what.find(", then "), what.rfind(", then ")) << what;
}

TEST(Identify, F37_BusThatHoldsOneValueIsNoChip) {
  for (const char* value : {"00", "98"}) {  // driven low, or floating at what it was left at
    simbench::SimSession session(chip_of(value, large_page()));
    const auto found = identify(session, kUsersWord);
    ASSERT_FALSE(found) << value;
    EXPECT_EQ(found.error().code(), ErrorCode::no_chip) << found.error().text();
  }
}

TEST(Identify, DoubleRateAnswerIsRefusedWithTheReason) {
  simbench::Fixture fixture = chip_of("AD AD DE DE 14 14 A7 A7", large_page());
  fixture.chip->supply_mv = 1800;
  simbench::SimSession session(fixture);
  const auto found = identify(session, std::nullopt);
  ASSERT_FALSE(found);
  EXPECT_EQ(found.error().code(), ErrorCode::double_rate);
}

TEST(Identify, ChipThatIsNotSeatedRightGetsNoPower) {
  simbench::Fixture turned = slc_chip(), shifted = slc_chip(), open = slc_chip();
  turned.socket.turned = true;
  shifted.socket.shift = 1;
  open.socket.open_pins = {43};
  const std::pair<simbench::Fixture, std::string_view> cases[] = {
      {turned, "turned by 180 degrees"}, {shifted, "one pin too low"}, {open, "pin 43 (I/O6)"}};
  for (const auto& [fixture, words] : cases) {
    simbench::SimSession session(fixture);
    const auto found = identify(session, kUsersWord);
    ASSERT_FALSE(found) << words;
    EXPECT_EQ(found.error().code(), ErrorCode::contact_bad);
    EXPECT_EQ(found.error().exit_code(), 6);
    EXPECT_NE(found.error().what().find(words), std::string::npos) << found.error().what();
    EXPECT_EQ(session.board().bus_record().resets, 0u);
  }
}

TEST(Identify, TurnedChipOnABoardWithoutContactsTripsTheLimiter) {
  simbench::Fixture fixture = slc_chip();
  fixture.socket.turned = true;
  simbench::SimSession session(fixture);
  hide_contacts(session);
  const auto found = identify(session, kUsersWord);
  ASSERT_FALSE(found);
  EXPECT_EQ(found.error().code(), ErrorCode::current_limit) << found.error().text();
  EXPECT_EQ(found.error().exit_code(), 6);
}

TEST(Identify, ParameterPageIsKeptVerbatimAndWins) {
  std::ifstream file(std::string(STEADYCELL_TEST_DATA) + "/onfi-pages/H27U2G8F2CTR-BC.hex");
  std::string text;
  for (std::string line; std::getline(file, line);)
    if (!line.starts_with('#')) text += line + ' ';
  const Bytes copy = parse_hex(text).value();
  simbench::Fixture fixture = chip_of("AD DA 10 95 44", large_page());
  Bytes& page = fixture.chip->targets[0].parameter_page;
  for (int i = 0; i < 3; ++i) page.insert(page.end(), copy.begin(), copy.end());
  simbench::SimSession session(fixture);
  const auto found = identify(session, kUsersWord);
  ASSERT_TRUE(found) << found.error().text();
  EXPECT_EQ(found->targets[0].chip.source, "onfi");
  EXPECT_EQ(found->targets[0].chip.model, "H27U2G8F2CTR-BC");
  ASSERT_GE(found->targets[0].parameter_page.size(), page.size());
  EXPECT_TRUE(std::equal(page.begin(), page.end(), found->targets[0].parameter_page.begin()));
}

TEST(Identify, EveryChipEnableIsAskedAlone) {
  simbench::Fixture fixture = slc_chip();
  fixture.chip->targets.push_back(fixture.chip->targets[0]);
  simbench::SimSession session(fixture);
  const auto found = identify(session, kUsersWord);
  ASSERT_TRUE(found) << found.error().text();
  ASSERT_EQ(found->targets.size(), 2u);
  EXPECT_EQ(found->targets[1].target, 1);
  EXPECT_TRUE(session.board().violations().empty()) << session.board().violations()[0].text;
}

TEST(Identify, F16_OverCurrentIsToldAsSuch) {
  simbench::SimSession session(slc_chip());
  session.board().faults().socket_over_current = true;
  const auto found = identify(session, kUsersWord);
  ASSERT_FALSE(found);
  EXPECT_EQ(found.error().code(), ErrorCode::current_limit) << found.error().text();
}

}  // namespace
}  // namespace steadycell::capture
