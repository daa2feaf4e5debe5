#include "capture/read.h"

#include "reading.h"

namespace steadycell::capture {
namespace {

using namespace testing;

// Calls `act` when the first page of that row and pass goes out.
void when_page_goes_out(simbench::SimSession& session, std::uint32_t row, std::uint32_t pass, bool every_time,
                        std::function<void(simbench::Faults&)> act) {
  simbench::Faults& faults = session.board().faults();
  faults.on_frame([&faults, row, pass, every_time, act = std::move(act), done = false](simbench::OutgoingFrame& frame) mutable {
    if (frame.header.type != SCP_PAGE_DATA || done) return;
    const ByteSpan payload = ByteSpan(frame.bytes).subspan(SCP_HEADER_BYTES);
    if (load_u32(payload.subspan(4)) != pass || load_u32(payload.subspan(8)) != row) return;
    done = !every_time;
    act(faults);
  });
}

void expect_same_units(files::FileSystem& one, files::FileSystem& other, std::uint32_t passes, std::uint32_t blocks) {
  for (std::uint32_t pass = 1; pass <= passes; ++pass)
    for (std::uint32_t block = 0; block < blocks; ++block)
      EXPECT_TRUE(unit_of(one, at(block, pass)).raw == unit_of(other, at(block, pass)).raw) << "pass " << pass << ", block " << block;
}

TEST(Read, F01_UnplugInPassThreeOfFiveKeepsEveryFinishedUnitAndTheSameCallGoesOn) {
  files::MemoryDisk whole, parts;
  {
    simbench::SimSession session(weak_chip());
    ASSERT_TRUE(read(session, whole, options_for(5, 1)));
  }
  simbench::SimSession session(weak_chip());
  when_page_goes_out(session, 64 + 31, 3, false, [](simbench::Faults& faults) { faults.close_link = true; });
  const auto cut = read(session, parts, options_for(5, 1));
  ASSERT_FALSE(cut);
  EXPECT_EQ(cut.error().code(), ErrorCode::link_lost) << cut.error().text();
  EXPECT_EQ(cut.error().exit_code(), 4);
  EXPECT_NE(cut.error().kept().find("units safe in capture"), std::string::npos) << cut.error().text();
  EXPECT_EQ(passes::CaptureReader::open(parts, "capture")->contents().sealed_passes, (std::vector<std::uint32_t>{1, 2}));
  const auto done = read(session, parts, options_for(5, 1));
  ASSERT_TRUE(done) << done.error().text();
  EXPECT_GE(done->units_held, 4u);
  EXPECT_EQ(done->units_held + done->units_read, 10u);
  expect_same_units(whole, parts, 5, 2);
  expect_untouched(session);
}

TEST(Read, F13_BoardThatRestartsInAPassIsPoweredAnewAndReadOn) {
  files::MemoryDisk whole, parts;
  {
    simbench::SimSession session(weak_chip());
    ASSERT_TRUE(read(session, whole, options_for(2, 3)));
  }
  simbench::SimSession session(weak_chip());
  when_page_goes_out(session, 64 + 5, 2, false, [](simbench::Faults& faults) { faults.reboot = true; });
  const auto done = read(session, parts, options_for(2, 3));
  ASSERT_TRUE(done) << done.error().text();
  EXPECT_TRUE(mentions(done->notes, "the board restarted by itself"));
  EXPECT_EQ(done->units_held, 0u);
  EXPECT_EQ(done->units_read, 8u);
  expect_same_units(whole, parts, 2, 4);
  auto reader = passes::CaptureReader::open(parts, "capture");
  unsigned restarts = 0, powered = 0;
  ASSERT_TRUE(reader->for_each_record([&](const passes::Record& record) -> Result<void> {
    const json::Value* event = record.payload.if_contains("event");
    restarts += event != nullptr && *event == "restart" ? 1 : 0;
    powered += event != nullptr && *event == "power-up" ? 1 : 0;
    return {};
  }));
  EXPECT_EQ(restarts, 1u);
  EXPECT_EQ(powered, 2u);
  expect_untouched(session);
}

TEST(Read, F13_ThirdRestartWithinAMinuteEndsTheJob) {
  simbench::SimSession session(slc_chip());
  when_page_goes_out(session, 5, 2, true, [](simbench::Faults& faults) { faults.reboot = true; });
  files::MemoryDisk disk;
  const auto done = read(session, disk, options_for(2, 1));
  ASSERT_FALSE(done);
  EXPECT_EQ(done.error().code(), ErrorCode::link_lost) << done.error().text();
  EXPECT_EQ(session.board().boot_counter(), 4u);
  EXPECT_EQ(passes::CaptureReader::open(disk, "capture")->contents().sealed_passes, (std::vector<std::uint32_t>{1}));
}

// Names of the records that open or close a session, and why it closed.
std::vector<std::string> sessions_in(files::FileSystem& disk) {
  auto reader = passes::CaptureReader::open(disk, "capture");
  std::vector<std::string> out;
  EXPECT_TRUE(reader->for_each_record([&](const passes::Record& record) -> Result<void> {
    if (record.type == passes::RecordType::opened) out.emplace_back("opened");
    if (record.type == passes::RecordType::closed) out.emplace_back(record.payload.at("why").get_string());
    return {};
  }));
  return out;
}

TEST(Read, ClosesTheJournalAndGoesOnBehindThat) {
  simbench::SimSession session(slc_chip());
  files::MemoryDisk disk;
  const auto first = read(session, disk, options_for(1, 1));
  ASSERT_TRUE(first) << first.error().text();
  {
    const auto reader = passes::CaptureReader::open(disk, "capture");
    EXPECT_TRUE(reader->contents().closed);
    EXPECT_EQ(reader->contents().head, first->journal_head) << "the closing record is the head that is told";
  }
  const auto more = read(session, disk, options_for(3, 1));
  ASSERT_TRUE(more) << more.error().text();
  EXPECT_EQ(more->units_read, 4u);
  EXPECT_EQ(sessions_in(disk), (std::vector<std::string>{"opened", "done", "opened", "done"}));
  EXPECT_TRUE(passes::CaptureReader::open(disk, "capture")->contents().chain_whole);
  EXPECT_EQ(passes::CaptureReader::open(disk, "capture")->contents().head, more->journal_head);
}

TEST(Read, F44_StoppedReadIsClosedWithTheReason) {
  simbench::SimSession session(slc_chip());
  files::MemoryDisk disk;
  std::atomic<bool> stop{false};
  ReadOptions options = options_for(9, 1);
  options.progress = [&](const api::Progress& progress) { stop = progress.done == progress.total; };
  ASSERT_FALSE(read(session, disk, std::move(options), &stop));
  const auto sessions = sessions_in(disk);
  ASSERT_EQ(sessions.size(), 2u);
  EXPECT_TRUE(sessions[1].starts_with("e107")) << sessions[1];
  EXPECT_TRUE(passes::CaptureReader::open(disk, "capture")->contents().closed);
}

TEST(Read, F01_ErrorNamesTheFirstMissingBlock) {
  simbench::SimSession session(slc_chip());
  files::MemoryDisk disk;
  // In the middle of block 2 of pass 1, while all blocks of the pass are one run.
  when_page_goes_out(session, 2 * 64 + 31, 1, false, [](simbench::Faults& faults) { faults.close_link = true; });
  const auto cut = read(session, disk, options_for(1));
  ASSERT_FALSE(cut);
  const auto reader = passes::CaptureReader::open(disk, "capture");
  std::uint32_t missing = 0;
  while (reader->units().has(at(missing, 1))) ++missing;
  EXPECT_GT(missing, 0u);
  EXPECT_NE(cut.error().what().find(fmt::format("reading pass 1, block {} and on", missing)), std::string::npos) << cut.error().what();
}

TEST(Read, F02_CaptureOfAChipWithAnotherIdIsRefusedWithBothIdentities) {
  files::MemoryDisk disk;
  {
    simbench::SimSession session(slc_chip());
    ASSERT_TRUE(read(session, disk, options_for(1, 1)));
  }
  simbench::SimSession session(chip_of("EC DA 10 95 44", large_page()));
  const auto done = read(session, disk, options_for(2, 1));
  ASSERT_FALSE(done);
  EXPECT_EQ(done.error().code(), ErrorCode::mismatched_capture);
  EXPECT_EQ(done.error().exit_code(), 7);
  EXPECT_NE(done.error().what().find("EC DA 10 95 44"), std::string::npos) << done.error().what();
  EXPECT_NE(done.error().what().find("EC DC 10 95 54"), std::string::npos) << done.error().what();
  EXPECT_EQ(passes::CaptureReader::open(disk, "capture")->units().count(), 2u);
}

TEST(Read, F03_AnotherBoardIsRefusedUntilItIsSaidToBeMeant) {
  files::MemoryDisk disk;
  simbench::Fixture fixture = slc_chip();
  {
    simbench::SimSession session(fixture);
    ASSERT_TRUE(read(session, disk, options_for(1, 1)));
  }
  fixture.board.uuid.fill(0xAB);
  simbench::SimSession session(fixture);
  const auto refused = read(session, disk, options_for(2, 1));
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().code(), ErrorCode::mismatched_capture);
  EXPECT_EQ(refused.error().exit_code(), 7);
  EXPECT_NE(refused.error().what().find("abababab-abab-abab-abab-abababababab"), std::string::npos) << refused.error().what();
  EXPECT_NE(refused.error().what().find(passes::CaptureReader::open(disk, "capture")->head().board_uuid),
            std::string::npos)
      << refused.error().what();
  EXPECT_NE(refused.error().next().find("--another-board"), std::string::npos) << refused.error().next();
  EXPECT_EQ(session.board().bus_record().resets, 0u) << "the chip was never powered for it";
  ReadOptions meant = options_for(2, 1);
  meant.another_board = true;
  const auto done = read(session, disk, meant);
  ASSERT_TRUE(done) << done.error().text();
  EXPECT_EQ(done->units_read, 2u);
  EXPECT_TRUE(mentions(done->notes, "this part is read on board abababab")) << "and it stands in the evidence";
}

TEST(Read, F02_AnotherChipOfTheSameTypeIsKnownByItsPages) {
  files::MemoryDisk disk;
  {
    simbench::SimSession session(slc_chip(1));
    ASSERT_TRUE(read(session, disk, options_for(1, 1)));
  }
  simbench::SimSession session(slc_chip(2));
  const auto done = read(session, disk, options_for(2, 1));
  ASSERT_FALSE(done);
  EXPECT_EQ(done.error().code(), ErrorCode::mismatched_capture);
  EXPECT_NE(done.error().what().find("another chip of the same type"), std::string::npos) << done.error().what();
}

bool says_the_room(const Error& error, const std::string& parts) {
  const auto has = [](const std::string& text, const std::string& word) { return text.find(word) != std::string::npos; };
  return has(error.what(), parts) && has(error.what(), " in all; the disk of ") && has(error.what(), " free") &&
         error.next().starts_with("free ") && has(error.next(), "then run the same command again");
}

TEST(Read, F23_FullDiskKeepsWhatIsThereAndTheSameCallGoesOn) {
  const simbench::Fixture fixture = slc_chip();
  simbench::SimSession session(fixture);
  files::MemoryDisk disk;
  disk.set_room((16u << 20) + 9 * large_page().block_raw_bytes());  // passes the check in front, not pass 2 of random bits
  ReadOptions options = options_for(1);
  ASSERT_TRUE(read(session, disk, options));
  const std::uint64_t calls = disk.calls();
  disk.fail_call(calls / 4, ErrorCode::storage_full, true);
  const auto full = read(session, disk, options_for(2));
  ASSERT_FALSE(full);
  EXPECT_EQ(full.error().code(), ErrorCode::storage_full) << full.error().text();
  EXPECT_EQ(full.error().exit_code(), 8);
  disk.work_again();
  disk.set_room(1u << 30);
  const auto done = read(session, disk, options_for(2));
  ASSERT_TRUE(done) << done.error().text();
  for (std::uint32_t block = 0; block < kBlocks; ++block) EXPECT_TRUE(unit_of(disk, at(block, 2)).raw == block_of(fixture, block));
}

TEST(Read, F23_TooLittleRoomIsSaidBeforeTheFirstPage) {
  simbench::SimSession session(slc_chip());
  files::MemoryDisk disk;
  disk.set_room(1u << 20);
  const auto done = read(session, disk, options_for(1));
  ASSERT_FALSE(done);
  EXPECT_EQ(done.error().code(), ErrorCode::storage_full);
  EXPECT_TRUE(says_the_room(
      done.error(),
      "for pass 1 and 16.0 MiB for the journal: 17.0 MiB in all; the disk of capture has 1 MiB free"))
      << done.error().text();
  EXPECT_FALSE(*disk.exists("capture")) << "nothing is begun";
  disk.set_room(64u << 20);
  ASSERT_TRUE(read(session, disk, options_for(1)));
}

TEST(Read, F23_ADiskThatFillsUpWhileReadingSaysWhatTheRestNeedsAndTheSameCallGoesOn) {
  const simbench::Fixture fixture = slc_chip();
  simbench::SimSession session(fixture);
  files::MemoryDisk disk;
  disk.set_room(64u << 20);
  ReadOptions options = options_for(1);
  options.board_check = "checked";
  options.note = [&](std::string_view note) {  // said when the capture is made and nothing read yet
    if (note == "checked") disk.set_room(3 * large_page().block_raw_bytes() + 16384);  // somebody else's file
  };
  const auto full = read(session, disk, std::move(options));
  ASSERT_FALSE(full);
  EXPECT_EQ(full.error().code(), ErrorCode::storage_full);
  EXPECT_TRUE(says_the_room(full.error(), "still needed: ")) << full.error().text();
  EXPECT_NE(full.error().kept().find("safe"), std::string::npos) << full.error().text();

  // As long as there is no room, the same call says so before the chip gets power.
  disk.set_room(1u << 20);
  const std::uint64_t resets = session.board().bus_record().resets;
  const auto still = read(session, disk, options_for(1));
  ASSERT_FALSE(still);
  EXPECT_TRUE(says_the_room(still.error(), "for pass 1 and 16.0 MiB for the journal: ")) << still.error().text();
  EXPECT_EQ(session.board().bus_record().resets, resets) << "the chip is left alone";

  disk.set_room(64u << 20);
  const auto done = read(session, disk, options_for(1));
  ASSERT_TRUE(done) << done.error().text();
  EXPECT_GE(done->units_held, 1u);
  for (std::uint32_t block = 0; block < kBlocks; ++block) EXPECT_TRUE(unit_of(disk, at(block, 1)).raw == block_of(fixture, block));
}

// R/B# gets stuck while pages are read: each page waits for its limit only, is recorded as not ready, and the pass goes on.
TEST(Read, F15_ReadyLineThatNeverMovesIsReplacedByStatusPolling) {
  const simbench::Fixture fixture = slc_chip();
  simbench::SimSession session(fixture);
  session.board().faults().ready_pin = simbench::Faults::ReadyPin::stuck_ready;
  files::MemoryDisk disk;
  const auto done = read(session, disk, options_for(1, 1));
  ASSERT_TRUE(done) << done.error().text();
  EXPECT_TRUE(mentions(done->notes, "status register is polled"));
  EXPECT_TRUE(unit_of(disk, at(1, 1)).raw == block_of(fixture, 1));
}

TEST(Read, F15_ReadyLineStuckLowIsRecordedAndTheChipIsReadByItsStatus) {
  const simbench::Fixture fixture = slc_chip();
  simbench::SimSession session(fixture);
  session.board().faults().ready_pin = simbench::Faults::ReadyPin::stuck_busy;
  files::MemoryDisk disk;
  const auto done = read(session, disk, options_for(1, 1));
  ASSERT_TRUE(done) << done.error().text();
  EXPECT_TRUE(mentions(done->found.notes, "R/B# of target 0 does not rise"));
  EXPECT_TRUE(mentions(done->notes, "R/B# of target 0 never rose: the status register is polled instead"));
  EXPECT_EQ(done->pages_timed_out, 0u);
  for (std::uint32_t block = 0; block < 2; ++block) EXPECT_TRUE(unit_of(disk, at(block, 1)).raw == block_of(fixture, block));
  expect_untouched(session);
}

// Polling would move the pointer of such a part: without R/B# it is not read, and nothing is made.
TEST(Read, F15_SmallPagePartWithStuckReadyLineIsRefusedBecauseItCannotBePolled) {
  const Geometry small = small_page();
  simbench::SimSession session(chip_of("EC 75", small));
  session.board().faults().ready_pin = simbench::Faults::ReadyPin::stuck_busy;
  files::MemoryDisk disk;
  const auto done = read(session, disk, options_for(1, 1));
  ASSERT_FALSE(done);
  EXPECT_EQ(done.error().code(), ErrorCode::proof_failed) << done.error().text();
  EXPECT_NE(done.error().next().find("R/B#"), std::string::npos);
  EXPECT_FALSE(*disk.exists("capture"));
}

TEST(Read, F07_DamagedFramesAreReadAgainAndThoseThatNeverComeAreRecorded) {
  const simbench::Fixture fixture = slc_chip();
  simbench::SimSession session(fixture);
  files::MemoryDisk disk;
  session.board().faults().on_frame(simbench::flip_bit(SCP_PAGE_DATA, 150, 8 * 300));
  const auto done = read(session, disk, options_for(1, 3));
  ASSERT_TRUE(done) << done.error().text();
  EXPECT_EQ(done->pages_not_transferred, 0u);
  for (std::uint32_t block = 0; block < 4; ++block) EXPECT_TRUE(unit_of(disk, at(block, 1)).raw == block_of(fixture, block));

  // Row 70 never comes: page 6 of block 1.
  session.board().faults().on_frame([](simbench::OutgoingFrame& frame) {
    if (frame.header.type == SCP_PAGE_DATA && load_u32(ByteSpan(frame.bytes).subspan(SCP_HEADER_BYTES + 8)) == 70) frame.bytes.clear();
  });
  const auto second = read(session, disk, options_for(2, 3));
  ASSERT_TRUE(second) << second.error().text();
  EXPECT_EQ(second->pages_not_transferred, 1u);
  const Unit unit = unit_of(disk, at(1, 2));
  EXPECT_EQ(unit.status[6], PageStatus::transfer_error);
  EXPECT_EQ(std::count(unit.status.begin(), unit.status.end(), PageStatus::read), 63);
}

}  // namespace
}  // namespace steadycell::capture
