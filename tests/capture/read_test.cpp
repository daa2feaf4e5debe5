#include "capture/read.h"

#include <fstream>

#include "link/replay.h"
#include "reading.h"

namespace steadycell::capture {
namespace {

using namespace testing;

TEST(Read, EveryPassHoldsEveryByteOfTheRange) {
  const simbench::Fixture fixture = slc_chip();
  simbench::SimSession session(fixture);
  const Digest before = session.board().array_digest();
  files::MemoryDisk disk;
  const auto done = read(session, disk, options_for(2, 3));
  ASSERT_TRUE(done) << done.error().text();
  EXPECT_EQ(done->units_read, 8u);
  EXPECT_EQ(done->pages_not_transferred + done->pages_timed_out, 0u);
  for (std::uint32_t pass = 1; pass <= 2; ++pass)
    for (std::uint32_t block = 0; block < 4; ++block) {
      const Unit unit = unit_of(disk, at(block, pass));
      EXPECT_TRUE(unit.raw == block_of(fixture, block)) << "pass " << pass << ", block " << block;
      EXPECT_EQ(std::count(unit.status.begin(), unit.status.end(), PageStatus::read), 64);
    }
  const auto reader = passes::CaptureReader::open(disk, "capture");
  EXPECT_EQ(reader->contents().sealed_passes, (std::vector<std::uint32_t>{1, 2}));
  EXPECT_EQ(reader->units().count(), 8u);
  EXPECT_EQ(session.board().array_digest(), before);
  expect_untouched(session);
}

// The recorded board again, without a board: twice the same bytes, by the hashes of all units.
TEST(Read, AReplayOfABoardIsReadAsTheBoardWas) {
  const auto read_over = [](files::FileSystem& disk, const std::function<std::unique_ptr<link::Link>(const asio::any_io_executor&)>& open) {
    Result<ReadResult> out = failure(ErrorCode::internal, "did not run");
    run([&]() -> asio::awaitable<void> {
      auto client = co_await board::BoardClient::connect(open(co_await asio::this_coro::executor), nullptr);
      if (!client) {
        ADD_FAILURE() << client.error().text();
        co_return;
      }
      out = co_await read_chip(**client, disk, options_for(3, 3));
      co_await (*client)->close();
    });
    return out;
  };
  simbench::SimSession session(weak_chip());
  files::MemoryDisk first, second;
  const auto recording = std::make_shared<link::Recording>();
  const auto recorded = read_over(first, [&](const asio::any_io_executor& executor) {
    return link::record(link::adopt_socket(executor, session.take_host_fd(), "bench"), recording);
  });
  ASSERT_TRUE(recorded) << recorded.error().text();
  const auto replayed = read_over(second, [&](const asio::any_io_executor& executor) { return link::replay(executor, recording); });
  ASSERT_TRUE(replayed) << replayed.error().text();
  EXPECT_EQ(replayed->units_read, 12U);
  EXPECT_EQ(replayed->bytes, recorded->bytes);
  for (std::uint32_t pass = 1; pass <= 3; ++pass)
    for (std::uint32_t block = 0; block < 4; ++block) {
      const Unit a = unit_of(first, at(block, pass)), b = unit_of(second, at(block, pass));
      EXPECT_TRUE(a.raw == b.raw && a.status == b.status) << "pass " << pass << ", block " << block;
    }
}

TEST(Read, FirstPassIsWholeAndSealedBeforeTheSecondBegins) {
  simbench::SimSession session(slc_chip());
  files::MemoryDisk disk;
  ASSERT_TRUE(read(session, disk, options_for(2, 3)));
  auto reader = passes::CaptureReader::open(disk, "capture");
  std::vector<std::string> order;
  ASSERT_TRUE(reader->for_each_record([&](const passes::Record& record) -> Result<void> {
    if (record.type == passes::RecordType::unit) order.push_back(fmt::format("pass {}", record.payload.at("pass").to_number<int>()));
    if (record.type == passes::RecordType::sealed) order.push_back(fmt::format("sealed {}", record.payload.at("pass").to_number<int>()));
    return {};
  }));
  const std::vector<std::string> expected{"pass 1", "pass 1", "pass 1", "pass 1", "sealed 1",
                                          "pass 2", "pass 2", "pass 2", "pass 2", "sealed 2"};
  EXPECT_EQ(order, expected);
}

TEST(Read, StoppedAndGoneOnWithItEqualsOneUninterruptedRun) {
  const simbench::Fixture fixture = weak_chip();
  files::MemoryDisk whole, parts;
  {
    simbench::SimSession session(fixture);
    const auto done = read(session, whole, options_for(3));
    ASSERT_TRUE(done) << done.error().text();
  }
  simbench::SimSession session(fixture);
  unsigned stops = 0;
  for (;; ++stops) {
    ASSERT_LT(stops, 30u);
    std::atomic<bool> stop{false};
    unsigned units = 0;
    ReadOptions options = options_for(3);
    options.progress = [&](const api::Progress&) {
      if (++units == 5) stop = true;
    };
    const auto done = read(session, parts, std::move(options), &stop);
    if (done) break;
    ASSERT_EQ(done.error().code(), ErrorCode::interrupted) << done.error().text();
    EXPECT_EQ(done.error().exit_code(), 130);
    EXPECT_NE(done.error().kept().find("units safe in capture"), std::string::npos);
  }
  EXPECT_GE(stops, 2u);
  bool passes_differ = false;
  for (std::uint32_t pass = 1; pass <= 3; ++pass)
    for (std::uint32_t block = 0; block < kBlocks; ++block) {
      const Unit one = unit_of(whole, at(block, pass)), other = unit_of(parts, at(block, pass));
      EXPECT_TRUE(one.raw == other.raw) << "pass " << pass << ", block " << block;
      passes_differ = passes_differ || one.raw != unit_of(whole, at(block, 1)).raw;
    }
  EXPECT_TRUE(passes_differ);  // else the comparison above would show little
  expect_untouched(session);
}

TEST(Read, PassesCountWhatTheCaptureHolds) {
  simbench::SimSession session(slc_chip());
  files::MemoryDisk disk;
  ASSERT_TRUE(read(session, disk, options_for(1, 1)));
  const auto more = read(session, disk, options_for(2, 3));
  ASSERT_TRUE(more) << more.error().text();
  EXPECT_EQ(more->units_read, 6u);
  EXPECT_EQ(more->units_held, 2u);
}

// A finished read asked for again: the journal's head is what a client may hold on paper, and each power-up is one more.
TEST(Read, WhatIsThereAlreadyGetsNoPowerAndChangesNothing) {
  files::MemoryDisk disk;
  Digest head{};
  std::string uuid;
  {
    simbench::SimSession session(slc_chip());
    const auto first = read(session, disk, options_for(2, 3));
    ASSERT_TRUE(first) << first.error().text();
    head = first->journal_head;
    uuid = first->uuid;
  }
  const auto journal = files::read_whole(disk, "capture/journal", 1 << 20);
  for (const std::uint32_t passes : {1u, 2u}) {
    simbench::SimSession session(slc_chip());
    ReadOptions options = options_for(passes, passes == 1 ? 2 : 3);
    options.consent.reset();  // no word is needed where nothing gets power
    const auto again = read(session, disk, options);
    ASSERT_TRUE(again) << again.error().text();
    EXPECT_EQ(again->units_read, 0u);
    EXPECT_EQ(again->units_held, passes == 1 ? 3u : 8u);
    EXPECT_EQ(again->bytes, 0u);
    EXPECT_EQ(again->journal_head, head);
    EXPECT_EQ(again->uuid, uuid);
    ASSERT_EQ(again->found.targets.size(), 1u);
    EXPECT_EQ(hex_spaced(again->found.targets[0].id_bytes).substr(0, 14), "EC DC 10 95 54");
    EXPECT_TRUE(mentions(again->notes, "everything asked for is already in capture"));
    EXPECT_EQ(session.board().bus_record().resets, 0u);
    EXPECT_TRUE(*files::read_whole(disk, "capture/journal", 1 << 20) == *journal);
  }
}

// A pass file may be deleted to save room: its units are not read again unasked, and are not said to be there either.
TEST(Read, WhatIsHeldWithoutItsBytesIsCountedAndSaid) {
  files::MemoryDisk disk;
  simbench::SimSession session(slc_chip());
  const auto first = read(session, disk, options_for(2, 3));
  ASSERT_TRUE(first) << first.error().text();
  EXPECT_EQ(first->units_without_bytes, 0u);
  ASSERT_TRUE(disk.remove_file("capture/pass-0002.dat"));
  for (const std::uint32_t last_block : {3u, 4u}) {
    const auto again = read(session, disk, options_for(2, last_block));
    ASSERT_TRUE(again) << again.error().text();
    EXPECT_EQ(again->units_read, last_block == 3 ? 0u : 2u);
    EXPECT_EQ(again->units_held, 8u);
    EXPECT_EQ(again->units_without_bytes, 4u);
    EXPECT_TRUE(mentions(again->notes, "4 units of those held before are without their bytes (pass 2: 4 units, since pass-0002.dat"));
    EXPECT_TRUE(mentions(again->notes, "steadycell capture verify capture"));
    EXPECT_FALSE(mentions(again->notes, "already in"));
  }
}

TEST(Read, ACutPassFileHasLostWhatLiesBehindItsEndAndTheDifferencesToIt) {
  files::MemoryDisk disk;
  simbench::SimSession session(weak_chip());
  ASSERT_TRUE(read(session, disk, options_for(2, 3)));
  Bytes pass_1 = disk.content("capture/pass-0001.dat");
  pass_1.resize(pass_1.size() - 1);
  disk.put("capture/pass-0001.dat", pass_1);
  const auto again = read(session, disk, options_for(2, 3));
  ASSERT_TRUE(again) << again.error().text();
  EXPECT_EQ(again->units_without_bytes, 2u);
  EXPECT_TRUE(mentions(again->notes, "pass 1: 1 unit, since pass-0001.dat ends in front of their bytes; "
                                     "pass 2: 1 unit, since what they are differences to is lost with pass 1"));
  EXPECT_EQ(read(session, disk, options_for(2, 2))->units_without_bytes, 0u) << "block 3 is not asked for";
}

TEST(Read, MoreThanIsThereIsReadFromAChipThatProvedItselfAgain) {
  files::MemoryDisk disk;
  {
    simbench::SimSession session(slc_chip());
    ASSERT_TRUE(read(session, disk, options_for(1, 1)));
  }
  simbench::SimSession other(slc_chip(2));  // the same type, other contents
  const auto done = read(other, disk, options_for(1, 2));
  ASSERT_FALSE(done);
  EXPECT_EQ(done.error().code(), ErrorCode::mismatched_capture) << done.error().text();
}

// All units are there, but a killed writer never said that it was done.
TEST(Read, ACaptureThatWasNotClosedIsOpenedAndClosed) {
  files::MemoryDisk disk;
  simbench::SimSession session(slc_chip());
  ASSERT_TRUE(read(session, disk, options_for(1, 1)));
  {
    auto writer = passes::CaptureWriter::open(disk, "capture");
    ASSERT_TRUE(writer) << writer.error().text();
    ASSERT_TRUE(writer->note({{"event", "left open"}}));
  }
  ASSERT_FALSE(passes::CaptureReader::open(disk, "capture")->contents().closed);
  const auto again = read(session, disk, options_for(1, 1));
  ASSERT_TRUE(again) << again.error().text();
  EXPECT_EQ(again->units_read, 0u);
  EXPECT_FALSE(mentions(again->notes, "already in"));
  EXPECT_TRUE(passes::CaptureReader::open(disk, "capture")->contents().closed);
}

TEST(Read, HighWriteProtectStopsBeforeTheFirstPass) {
  simbench::Fixture fixture = slc_chip();
  fixture.board.wp_high = true;
  simbench::SimSession session(fixture);
  files::MemoryDisk disk;
  const auto done = read(session, disk, options_for(1, 1));
  ASSERT_FALSE(done);
  EXPECT_EQ(done.error().code(), ErrorCode::write_protect);
  EXPECT_EQ(done.error().exit_code(), 6);
  EXPECT_EQ(session.board().bus_record().page_reads, 0u);
}

TEST(Read, SmallPagesAndWideBusesComeByteForByte) {
  const Geometry small = small_page();
  Geometry small_wide = small, wide = large_page();
  small_wide.bus_bits = wide.bus_bits = 16;
  for (const simbench::Fixture& fixture : {chip_of("EC 75", small), chip_of("EC 55", small_wide), chip_of("AD CC 90 D5 54", wide)}) {
    simbench::SimSession session(fixture);
    files::MemoryDisk disk;
    const auto done = read(session, disk, options_for(1, 2));
    ASSERT_TRUE(done) << done.error().text();
    for (std::uint32_t block = 0; block < 3; ++block) EXPECT_TRUE(unit_of(disk, at(block, 1)).raw == block_of(fixture, block));
    expect_untouched(session);
  }
}

TEST(Read, EveryChipEnableIsReadIntoItsOwnUnits) {
  simbench::Fixture fixture = slc_chip(1);
  fixture.chip->targets.push_back(slc_chip(2).chip->targets[0]);
  simbench::SimSession session(fixture);
  files::MemoryDisk disk;
  const auto done = read(session, disk, options_for(1, 2));
  ASSERT_TRUE(done) << done.error().text();
  EXPECT_EQ(done->units_read, 6u);
  for (std::uint8_t target = 0; target < 2; ++target)
    EXPECT_TRUE(unit_of(disk, at(2, 1, {target, 0})).raw == block_of(fixture, 2, {target, 0})) << int{target};
}

TEST(Read, AFolderToMakeTheCaptureInIsLookedForBeforeAnyPower) {
  simbench::SimSession session(slc_chip());
  files::MemoryDisk disk;
  ReadOptions options = options_for(1);
  options.folder = "no/such/capture";
  const auto done = read(session, disk, options);
  ASSERT_FALSE(done);
  EXPECT_EQ(done.error().code(), ErrorCode::not_found);
  EXPECT_NE(done.error().what().find("no/such"), std::string::npos) << done.error().text();
  EXPECT_EQ(session.board().bus_record().resets, 0u);
}

TEST(Read, RangeBeyondTheChipIsRefused) {
  simbench::SimSession session(slc_chip());
  files::MemoryDisk disk;
  const auto done = read(session, disk, options_for(1, 4096));
  ASSERT_FALSE(done);
  EXPECT_EQ(done.error().code(), ErrorCode::wrong_usage);
}

// A parameter page that declares modes 0 to 4, on a part that keeps them and on one that does not.
TEST(Read, FasterBusIsUsedOnlyWhenItReadsTheSame) {
  std::ifstream file(std::string(STEADYCELL_TEST_DATA) + "/onfi-pages/H27U2G8F2CTR-BC.hex");
  std::string text;
  for (std::string line; std::getline(file, line);)
    if (!line.starts_with('#')) text += line + ' ';
  const Bytes copy = parse_hex(text).value();
  for (const unsigned keeps : {4u, 0u}) {
    simbench::Fixture fixture = chip_of("AD DA 10 95 44", large_page());
    for (int i = 0; i < 3; ++i)
      fixture.chip->targets[0].parameter_page.insert(fixture.chip->targets[0].parameter_page.end(), copy.begin(),
                                                     copy.end());
    fixture.chip->timing.mode = keeps;
    simbench::SimSession session(fixture);
    files::MemoryDisk disk;
    const auto done = read(session, disk, options_for(1, 1));
    ASSERT_TRUE(done) << done.error().text();
    EXPECT_EQ(passes::CaptureReader::open(disk, "capture")->head().timing, keeps == 4 ? "mode 3" : "mode 0");
    EXPECT_EQ(mentions(done->notes, "stays at mode 0"), keeps == 0);
    EXPECT_TRUE(unit_of(disk, at(1, 1)).raw == block_of(fixture, 1));
  }
}

TEST(Read, LaneThatShowsOneLevelOnlyIsANote) {
  Geometry wide = large_page();
  wide.bus_bits = 16;
  simbench::Fixture fixture = chip_of("AD CC 90 D5 54", wide);
  fixture.chip->targets[0].content = nullptr;  // all FF: ID and status move the low lanes, nothing moves the high ones
  simbench::SimSession session(fixture);
  files::MemoryDisk disk;
  const auto done = read(session, disk, options_for(1, 1));
  ASSERT_TRUE(done) << done.error().text();
  EXPECT_TRUE(mentions(done->notes, "pin 26 (I/O8) has shown only ones"));
  EXPECT_FALSE(mentions(done->notes, "(I/O0)"));
}

}  // namespace
}  // namespace steadycell::capture
