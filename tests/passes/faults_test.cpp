// A capture on a disk that fails: every call, once and for ever; full at every byte; without power after any of it.
#include <gtest/gtest.h>

#include <set>

#include "base/sanitized.h"
#include "files/memory_disk.h"
#include "passes/sample.h"

namespace steadycell::passes {
namespace {

using files::MemoryDisk;

constexpr std::uint32_t kBlocks = 4, kPasses = 3;
const std::uint64_t kApart = kSanitized ? 7 : 1;  // calls or bytes from one fault to the next

Geometry chip() {
  Geometry g = small_chip();
  g.pages_per_block = 2;
  g.blocks = kBlocks;
  return g;
}
Bytes bytes_of(UnitAddress u) { return block_content(chip(), u.block.index, u.pass, u.pass == 1 ? 0 : 1e-3); }

struct Outcome {
  Result<void> done;
  std::set<UnitAddress> acknowledged, appended;
};

// What `chip read` does: goes on where the capture stopped, pass after pass, and closes. Synced every third unit.
Outcome read_chip(MemoryDisk& disk) {
  Outcome outcome;
  StillClock clock;
  const WriterOptions options{.tool = "test", .clock = &clock};
  const std::vector<PageStatus> status(chip().pages_per_block, PageStatus::read);
  const auto run = [&]() -> Result<void> {
    const auto there = disk.exists("c");
    if (!there) return failure(there.error());
    auto writer = *there ? CaptureWriter::open(disk, "c", options) : CaptureWriter::create(disk, "c", small_head(chip()), options);
    if (!writer) return failure(writer.error());
    for (std::uint32_t pass = 1; pass <= kPasses; ++pass)
      for (std::uint32_t block = 0; block < kBlocks; ++block)
        if (writer->units().has(unit(block, pass))) outcome.acknowledged.insert(unit(block, pass));  // open() acknowledges them
    writer->on_acknowledged([&](std::span<const UnitAddress> units) { outcome.acknowledged.insert(units.begin(), units.end()); });
    if (const auto noted = writer->note({{"event", "power-up"}}); !noted) return noted;
    std::uint32_t since = 0;
    for (std::uint32_t pass = 1; pass <= kPasses; ++pass) {
      for (std::uint32_t block = 0; block < kBlocks; ++block) {
        if (writer->units().has(unit(block, pass))) continue;
        if (++since % 3 == 0) clock.now_ns += 1'000'000'000;
        if (const auto added = writer->append_unit(unit(block, pass), bytes_of(unit(block, pass)), status); !added) {
          (void)writer->note({{"event", "stopped"}, {"why", added.error().what()}});  // as a reader does when the disk is full
          (void)writer->sync();
          return added;
        }
        outcome.appended.insert(unit(block, pass));
      }
      if (const auto sealed = writer->seal_pass(pass); !sealed) return sealed;
    }
    const auto closed = writer->finish();
    return closed ? Result<void>() : failure(closed.error());
  };
  outcome.done = run();
  return outcome;
}

// Every unit that the capture lists is right; returns them.
std::set<UnitAddress> verified_units(MemoryDisk& disk, const std::string& when) {
  std::set<UnitAddress> found;
  auto reader = CaptureReader::open(disk, "c");
  if (!reader) {
    EXPECT_EQ(reader.error().code(), ErrorCode::not_found) << when << ": " << reader.error().text();
    return found;
  }
  EXPECT_TRUE(reader->contents().damages.empty()) << when;
  EXPECT_TRUE(reader->contents().chain_whole) << when;
  Bytes raw(chip().block_raw_bytes());
  std::vector<PageStatus> status(chip().pages_per_block);
  for (std::uint32_t pass = 1; pass <= kPasses; ++pass)
    for (std::uint32_t block = 0; block < kBlocks; ++block) {
      if (!reader->units().has(unit(block, pass))) continue;
      const auto read = reader->read_unit(unit(block, pass), raw, status);
      if (read) {
        EXPECT_EQ(raw, bytes_of(unit(block, pass))) << when << ", block " << block << " pass " << pass;
        found.insert(unit(block, pass));
      }
    }
  return found;
}

void expect_all_of(const std::set<UnitAddress>& wanted, const std::set<UnitAddress>& found, const std::string& when) {
  for (const UnitAddress u : wanted)
    EXPECT_TRUE(found.contains(u)) << when << ": lost acknowledged block " << u.block.index << " pass " << u.pass;
}

std::set<UnitAddress> all_units() {
  std::set<UnitAddress> units;
  for (std::uint32_t pass = 1; pass <= kPasses; ++pass)
    for (std::uint32_t block = 0; block < kBlocks; ++block) units.insert(unit(block, pass));
  return units;
}

std::uint64_t calls_of_a_job() {
  MemoryDisk disk;
  const Outcome outcome = read_chip(disk);
  EXPECT_TRUE(outcome.done) << outcome.done.error().text();
  EXPECT_EQ(outcome.acknowledged, all_units());
  return disk.calls();
}

void check_after(MemoryDisk& disk, const Outcome& outcome, const std::string& when) {
  disk.work_again();
  expect_all_of(outcome.acknowledged, verified_units(disk, when), when);
  std::vector<MemoryDisk> cut;
  cut.push_back(disk.after_power_cut());
  for (std::uint64_t seed = 1; seed <= 3; ++seed) cut.push_back(disk.after_power_cut(seed));
  // Going on from what is left, with power and without having had it all the time.
  for (std::size_t i = 0; i < cut.size(); ++i) {
    const std::string then = fmt::format("{}, power cut {}", when, i);
    expect_all_of(outcome.acknowledged, verified_units(cut[i], then), then);
    const Outcome again = read_chip(cut[i]);
    ASSERT_TRUE(again.done) << then << ": " << again.done.error().text();
    EXPECT_EQ(verified_units(cut[i], then), all_units()) << then;
    MemoryDisk second = cut[i].after_power_cut();
    expect_all_of(all_units(), verified_units(second, then + " twice"), then + " twice");
  }
  const Outcome again = read_chip(disk);
  ASSERT_TRUE(again.done) << when << ": " << again.done.error().text();
  EXPECT_EQ(verified_units(disk, when), all_units()) << when;
  MemoryDisk late = disk.after_power_cut();
  expect_all_of(all_units(), verified_units(late, when + ", power cut at the end"), when);
}

class Faults : public ::testing::TestWithParam<std::pair<ErrorCode, bool>> {};

TEST_P(Faults, F24NoAcknowledgedUnitIsLostWhicheverCallFails) {
  const auto [code, for_ever] = GetParam();
  const std::uint64_t calls = calls_of_a_job();
  ASSERT_GT(calls, 100u);
  std::uint64_t tried = 0, failed = 0;
  for (std::uint64_t n = 1; n <= calls; n += kApart, ++tried) {
    MemoryDisk disk;
    disk.fail_call(n, code, for_ever);
    const Outcome outcome = read_chip(disk);
    ASSERT_GT(disk.failures(), 0u) << n;
    const std::string when = fmt::format("call {} of {}{}", n, calls, for_ever ? " and all after" : "");
    failed += outcome.done ? 0 : 1;
    if (!outcome.done) {
      EXPECT_TRUE(outcome.done.error().code() == code) << when << ": " << outcome.done.error().text();
    }
    if (outcome.done) {
      EXPECT_EQ(outcome.acknowledged, all_units()) << when;  // a call whose failure costs nothing
    }
    check_after(disk, outcome, when);
    if (HasFatalFailure()) return;
  }
  EXPECT_GT(failed, tried * 7 / 10);  // else hardly a failure was looked at; some calls cost nothing when they fail
  RecordProperty("calls", static_cast<int>(calls));
}

INSTANTIATE_TEST_SUITE_P(Storage, Faults,
                         ::testing::Values(std::pair{ErrorCode::storage_failed, false}, std::pair{ErrorCode::storage_failed, true},
                                           std::pair{ErrorCode::storage_full, false}, std::pair{ErrorCode::storage_full, true}));

// F-22: the power goes after each call. A call that fails for ever from n on is a disk that is gone; its cut is the cut at n.
TEST(PowerCut, F22AcknowledgedUnitsOutliveItAtAnyMoment) {
  const std::uint64_t calls = calls_of_a_job();
  for (std::uint64_t n = 1; n <= calls; n += kApart) {
    MemoryDisk disk;
    disk.fail_call(n, ErrorCode::storage_failed, true);
    const Outcome outcome = read_chip(disk);
    for (std::uint64_t seed = 0; seed < 4; ++seed) {
      MemoryDisk cut = seed == 0 ? disk.after_power_cut() : disk.after_power_cut(seed);
      expect_all_of(outcome.acknowledged, verified_units(cut, fmt::format("cut at call {}", n)),
                    fmt::format("cut at call {}, {}", n, seed));
    }
  }
}

// F-23: full at every byte. What is there stays and is acknowledged; with room again the same job goes on.
TEST(FullDisk, F23AtEveryByteKeepsEveryFinishedUnit) {
  std::uint64_t needed = 0;
  {
    MemoryDisk disk;
    disk.set_room(1 << 20);
    ASSERT_TRUE(read_chip(disk).done);
    needed = (1 << 20) - *disk.free_bytes(".");
  }
  for (std::uint64_t room = 0; room < needed; room += kApart * (room % 97 == 0 ? 1 : 13)) {
    MemoryDisk disk;
    disk.set_room(room);
    const Outcome outcome = read_chip(disk);
    const std::string when = fmt::format("room for {} of {} bytes", room, needed);
    ASSERT_FALSE(outcome.done) << when;
    EXPECT_EQ(outcome.done.error().code(), ErrorCode::storage_full) << when;
    EXPECT_EQ(outcome.done.error().exit_code(), 8) << when;
    const auto found = verified_units(disk, when);
    expect_all_of(outcome.appended, found, when);
    disk.set_room(1 << 20);
    ASSERT_TRUE(read_chip(disk).done) << when;
    EXPECT_EQ(verified_units(disk, when), all_units()) << when;
  }
}

// F-22: of the journal's unsynced tail a power cut may keep the end and lose the middle. Nothing there was acknowledged, so
// it is cut off like a torn record; in front of a `synced` record the same hole is damage.
TEST(PowerCut, F22HoleInTheUnsyncedTailIsItsEndAndTheNextSessionGoesOn) {
  MemoryDisk whole;
  StillClock clock;
  const std::vector<PageStatus> status(chip().pages_per_block, PageStatus::read);
  std::vector<std::uint64_t> ends;
  {
    auto writer = CaptureWriter::create(whole, "c", small_head(chip()), {.tool = "test", .clock = &clock});
    ASSERT_TRUE(writer);
    for (std::uint32_t block = 0; block < kBlocks; ++block) {
      ASSERT_TRUE(writer->append_unit(unit(block, 1), bytes_of(unit(block, 1)), status));
      ends.push_back(writer->contents().journal_end);
    }
  }
  for (const bool synced_later : {false, true}) {
    MemoryDisk disk = whole.after_power_cut();
    disk.put("c/" + std::string("pass-0001.dat"), whole.content("c/pass-0001.dat"));
    Bytes journal = whole.content("c/journal");
    if (synced_later) {
      auto writer = CaptureWriter::open(whole, "c", {.tool = "test", .clock = &clock});
      ASSERT_TRUE(writer);
      journal = whole.content("c/journal");
    }
    std::fill(journal.begin() + static_cast<std::ptrdiff_t>(ends[0]), journal.begin() + static_cast<std::ptrdiff_t>(ends[1]),
              std::uint8_t{0});
    disk.put("c/journal", journal);
    {
      const auto reader = CaptureReader::open(disk, "c");
      ASSERT_TRUE(reader) << reader.error().text();
      EXPECT_EQ(reader->contents().damages.size(), synced_later ? 1u : 0u);
      EXPECT_EQ(reader->contents().chain_whole, !synced_later);
      EXPECT_EQ(reader->contents().torn_bytes, synced_later ? 0u : journal.size() - ends[0]);
      EXPECT_TRUE(reader->units().has(unit(0, 1)));
      EXPECT_FALSE(reader->units().has(unit(1, 1)));
      EXPECT_EQ(reader->units().has(unit(2, 1)), synced_later);
    }
    if (synced_later) break;
    ASSERT_TRUE(read_chip(disk).done);
    EXPECT_EQ(verified_units(disk, "gone on"), all_units());
    MemoryDisk cut = disk.after_power_cut();
    EXPECT_EQ(verified_units(cut, "gone on, then a cut"), all_units());
  }
}

TEST(FailedSync, IsFinalAndItsUnitsAreReadAgain) {
  MemoryDisk disk;
  StillClock clock;
  const std::vector<PageStatus> status(chip().pages_per_block, PageStatus::read);
  auto writer = CaptureWriter::create(disk, "c", small_head(chip()), {.tool = "test", .clock = &clock});
  ASSERT_TRUE(writer->append_unit(unit(0, 1), bytes_of(unit(0, 1)), status));
  ASSERT_TRUE(writer->sync());
  ASSERT_TRUE(writer->append_unit(unit(1, 1), bytes_of(unit(1, 1)), status));
  disk.fail_call(1, ErrorCode::storage_failed, false);
  const auto synced = writer->sync();
  ASSERT_FALSE(synced);
  EXPECT_EQ(synced.error().code(), ErrorCode::storage_failed);
  EXPECT_NE(synced.error().text().find("1 unit safe; to be read again: 1"), std::string::npos) << synced.error().text();
  EXPECT_FALSE(writer->sync()) << "a second try must not turn it into a success";
  EXPECT_FALSE(writer->append_unit(unit(2, 1), bytes_of(unit(2, 1)), status));
  EXPECT_EQ(writer->acknowledged(), 1u);
  auto reader = CaptureReader::open(disk, "c");
  EXPECT_TRUE(reader->units().has(unit(0, 1)));
  EXPECT_FALSE(reader->units().has(unit(1, 1))) << "the cache still shows it; the medium never got it";
  EXPECT_EQ(reader->contents().dropped_units, 1u);
  EXPECT_EQ((*reader->page_reads({0, 0}))[1], chip().pages_per_block) << "taken back or not, the chip was read";
}

TEST(FullDisk, StopsAtTheUnitAndCanStillWriteItDown) {
  MemoryDisk disk;
  StillClock clock;
  const std::vector<PageStatus> status(chip().pages_per_block, PageStatus::read);
  auto writer = CaptureWriter::create(disk, "c", small_head(chip()), {.tool = "test", .clock = &clock});
  ASSERT_TRUE(writer->append_unit(unit(0, 1), bytes_of(unit(0, 1)), status));
  disk.set_room(chip().block_raw_bytes() - 1);
  const auto full = writer->append_unit(unit(1, 1), bytes_of(unit(1, 1)), status);
  ASSERT_FALSE(full);
  EXPECT_EQ(full.error().code(), ErrorCode::storage_full);
  ASSERT_TRUE(writer->note({{"event", "disk full"}}));
  ASSERT_TRUE(writer->sync());
  EXPECT_EQ(writer->acknowledged(), 1u);
  disk.set_room(1 << 20);
  EXPECT_TRUE(writer->append_unit(unit(1, 1), bytes_of(unit(1, 1)), status)) << "with room again the same writer goes on";
}

}  // namespace
}  // namespace steadycell::passes
