#include "passes/verify.h"

#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>
#include <iterator>

#include "sample.h"

namespace steadycell::passes {
namespace {

// Blocks 0 to 7, passes 1 to 3; pass 2 has nothing in common with pass 1, so that it is stored as it is.
class Verify : public testing::Test {
 protected:
  void SetUp() override {
    folder_ = testing::TempDir() + "/verify-" + std::to_string(::getpid());
    std::filesystem::remove_all(folder_);
    auto writer = CaptureWriter::create(files::posix(), folder_, small_head());
    ASSERT_TRUE(writer) << writer.error().text();
    for (const std::uint32_t pass : {1u, 2u, 3u}) {
      for (std::uint32_t block = 0; block < 8; ++block)
        ASSERT_TRUE(writer->append_unit(unit(block, pass), content(block, pass), block == 5 ? one_lost_ : all_read_));
      ASSERT_TRUE(writer->seal_pass(pass));
    }
    ASSERT_TRUE(writer->finish());
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  static Bytes content(std::uint32_t block, std::uint32_t pass) {
    return pass == 2 ? block_content(small_chip(), block + 100, pass) : block_content(small_chip(), block, pass, 1e-3);
  }
  std::string path(const std::string& name) const { return folder_ + "/" + name; }
  void flip(const std::string& name, std::uint64_t at) const {
    std::fstream file(path(name), std::ios::binary | std::ios::in | std::ios::out);
    file.seekg(static_cast<std::streamoff>(at));
    const char was = static_cast<char>(file.get());
    file.seekp(static_cast<std::streamoff>(at));
    file.put(static_cast<char>(was ^ 4));
  }
  CaptureVerification verified(const Hooks& hooks = {}) const {
    auto found = verify_capture(files::posix(), folder_, hooks);
    EXPECT_TRUE(found) << found.error().text();
    return found ? std::move(*found) : CaptureVerification{};
  }
  // What the mending command of a block does: passes that the capture does not hold, up to that number.
  void read_again(const MendRun& run) const {
    auto writer = CaptureWriter::open(files::posix(), folder_);
    ASSERT_TRUE(writer) << writer.error().text();
    for (std::uint32_t pass = 1; pass <= run.passes; ++pass)
      for (std::uint32_t block = run.first.index; block < run.first.index + run.count; ++block) {
        if (writer->units().has(unit(block, pass))) continue;
        ASSERT_TRUE(writer->append_unit(unit(block, pass), content(block, pass), all_read_));
      }
    ASSERT_TRUE(writer->finish());
  }
  UnitFacts facts(std::uint32_t block, std::uint32_t pass) const {
    auto reader = CaptureReader::open(files::posix(), folder_);
    return *reader->facts(unit(block, pass));
  }

  std::string folder_;
  std::vector<PageStatus> all_read_{4, PageStatus::read};
  std::vector<PageStatus> one_lost_{PageStatus::read, PageStatus::transfer_error, PageStatus::read, PageStatus::read};
};

std::string text(const CaptureVerification& found) {
  std::string out;
  for (const FaultRun& run : found.faults)
    out += fmt::format("{} {} {}+{}{}\n", run.pass, name_of(run.fault), run.first.index, run.count, run.made_up ? " made up" : "");
  for (const MendRun& run : found.mends) out += fmt::format("--passes {} --blocks {}+{}\n", run.passes, run.first.index, run.count);
  return out;
}

TEST_F(Verify, AWholeCaptureIsWholeAndCountsWhatTheChipDidNotGive) {
  std::uint64_t told = 0;
  Hooks hooks;
  hooks.progress = [&](std::uint64_t done, std::uint64_t total, std::uint64_t bytes) {
    EXPECT_EQ(total, 24u);
    EXPECT_EQ(bytes, done * small_chip().block_raw_bytes());
    told = done;
  };
  const auto found = verified(hooks);
  EXPECT_TRUE(found.whole());
  EXPECT_EQ(text(found), "");
  EXPECT_EQ(told, 24u);
  ASSERT_EQ(found.passes.size(), 3u);
  for (const VerifiedPass& pass : found.passes) {
    EXPECT_TRUE(pass.sealed);
    EXPECT_EQ(pass.whole, 8u);
    EXPECT_EQ(pass.pages_not_read, 1u);
  }
}

TEST_F(Verify, AFlippedByteInALaterPassIsThatBlockAloneAndOnePassMoreMendsIt) {
  flip("pass-0002.dat", facts(3, 2).file_offset + 700);
  const auto found = verified();
  EXPECT_FALSE(found.whole());
  EXPECT_TRUE(found.journal_whole);
  EXPECT_EQ(text(found), "2 damaged 3+1\n--passes 4 --blocks 3+1\n");
  EXPECT_EQ(found.faults[0].why, "the bytes do not match the hash in the journal");
  read_again(found.mends[0]);
  const auto again = verified();
  EXPECT_EQ(text(again), "2 damaged 3+1 made up\n");
  EXPECT_FALSE(again.whole());  // what was recorded is still not there
}

TEST_F(Verify, DamageToPass1TakesItsDifferencesAlongAndTheReasonSaysSo) {
  ASSERT_TRUE(facts(3, 3).is_difference());
  flip("pass-0001.dat", facts(3, 1).file_offset + 700);
  const auto found = verified();
  EXPECT_EQ(text(found), "1 damaged 3+1\n3 damaged 3+1\n--passes 5 --blocks 3+1\n");
  EXPECT_EQ(found.faults[1].why, "kept as the difference to pass 1, which is damaged");
  read_again(found.mends[0]);
  EXPECT_EQ(text(verified()), "1 damaged 3+1 made up\n3 damaged 3+1 made up\n");
}

TEST_F(Verify, WhatLostItsOwnFileIsNotBlamedOnPass1) {
  std::filesystem::remove(path("pass-0003.dat"));
  flip("pass-0001.dat", facts(3, 1).file_offset + 700);
  const auto found = verified();
  for (const FaultRun& run : found.faults) {
    if (run.pass != 3) continue;
    EXPECT_EQ(run.fault, Fault::missing);
    EXPECT_EQ(run.why, "pass-0003.dat is not there");
  }
  EXPECT_EQ(found.passes[2].missing, 8u);
}

TEST_F(Verify, ATruncatedPassFileNamesTheBlocksBehindTheCut) {
  std::filesystem::resize_file(path("pass-0002.dat"), facts(5, 2).file_offset + 10);
  const auto found = verified();
  EXPECT_EQ(text(found), "2 damaged 5+3\n--passes 4 --blocks 5+3\n");
  EXPECT_NE(found.faults[0].why.find("ends"), std::string::npos) << found.faults[0].why;
}

TEST_F(Verify, AMissingPassFileIsMissingAndNotDamaged) {
  std::filesystem::remove(path("pass-0002.dat"));
  const auto found = verified();
  // No block has a whole pass more than another: a mend for all would be a mend again and again.
  EXPECT_EQ(text(found), "2 missing 0+8 made up\n");
  EXPECT_EQ(found.usual_passes, 2u);
  EXPECT_EQ(found.faults[0].why, "pass-0002.dat is not there");
  EXPECT_EQ(found.passes[1].missing, 8u);
}

TEST_F(Verify, WhatStandsInThePlaceOfAPassFileIsToldAndTheOthersAreStillVerified) {
  std::filesystem::rename(path("pass-0002.dat"), path("kept"));
  std::filesystem::create_directory(path("pass-0002.dat"));
  const auto folder = verified();
  EXPECT_EQ(text(folder), "2 missing 0+8 made up\n");
  EXPECT_EQ(folder.faults[0].why, "pass-0002.dat is no plain file");
  EXPECT_EQ(folder.passes[2].whole, 8u);
  std::filesystem::remove(path("pass-0002.dat"));
  std::filesystem::create_symlink("kept", path("pass-0002.dat"));
  EXPECT_EQ(verified().faults[0].why, "pass-0002.dat is a symbolic link, which is not followed");
}

TEST_F(Verify, BesideAMissingPassFileABlockWithLessIsMendedOnceAndForAll) {
  std::filesystem::remove(path("pass-0002.dat"));
  flip("pass-0003.dat", facts(4, 3).file_offset + 20);
  const auto found = verified();
  EXPECT_EQ(text(found), "2 missing 0+4 made up\n2 missing 4+1\n2 missing 5+3 made up\n3 damaged 4+1\n--passes 4 --blocks 4+1\n");
  read_again(found.mends[0]);
  EXPECT_EQ(text(verified()), "2 missing 0+8 made up\n3 damaged 4+1 made up\n");
}

TEST_F(Verify, WhereHalfOfTheBlocksLostAPassTheyAreMended) {
  for (const std::uint32_t block : {0u, 1u, 2u, 3u}) flip("pass-0003.dat", facts(block, 3).file_offset + 20);
  // Four blocks have three whole passes, and four have two: three are usual. Of five with two, it would be two.
  EXPECT_EQ(text(verified()), "3 damaged 0+4\n--passes 4 --blocks 0+4\n");
}

TEST_F(Verify, WithNoWholePassLeftAllIsReadAsItWas) {
  std::filesystem::remove(path("pass-0001.dat"));  // what the third is the difference to
  std::filesystem::remove(path("pass-0002.dat"));
  const auto found = verified();
  EXPECT_EQ(text(found), "1 missing 0+8\n2 missing 0+8\n3 missing 0+8\n--passes 6 --blocks 0+8\n");
  EXPECT_EQ(found.read_passes, 3u);
  read_again(found.mends[0]);
  EXPECT_TRUE(verified().mends.empty());
}

// `chip read` gives every LUN the pass that one of them lacks.
TEST_F(Verify, MendingEndsAlsoWhereOneOfTwoLunsLostAPass) {
  std::filesystem::remove_all(folder_);
  CaptureHead head = small_head();
  head.geometry.luns = 2;
  const auto read = [&](std::uint32_t passes, std::uint32_t first, std::uint32_t end, CaptureWriter& writer) {
    for (std::uint32_t pass = 1; pass <= passes; ++pass)
      for (std::uint8_t lun = 0; lun < 2; ++lun)
        for (std::uint32_t block = first; block < end; ++block) {
          const UnitAddress here{{0, lun}, {block}, pass};
          if (writer.units().has(here)) continue;
          ASSERT_TRUE(writer.append_unit(here, content(block, pass), all_read_));
        }
  };
  {
    auto writer = CaptureWriter::create(files::posix(), folder_, head);
    ASSERT_TRUE(writer) << writer.error().text();
    read(3, 0, 8, *writer);
    ASSERT_TRUE(writer->finish());
  }
  const auto last = CaptureReader::open(files::posix(), folder_)->facts({{0, 1}, {0}, 3});
  ASSERT_TRUE(last);
  std::filesystem::resize_file(path("pass-0003.dat"), last->file_offset);
  for (int round = 0; round < 2; ++round) {
    const auto found = verified();
    for (const MendRun& run : found.mends) {
      auto writer = CaptureWriter::open(files::posix(), folder_);
      ASSERT_TRUE(writer) << writer.error().text();
      read(run.passes, run.first.index, run.first.index + run.count, *writer);
      ASSERT_TRUE(writer->finish());
    }
  }
  const auto found = verified();
  EXPECT_EQ(found.passes[2].damaged, 8u);
  EXPECT_TRUE(found.mends.empty()) << text(found);
}

TEST_F(Verify, AHoleThatSwallowsPass1TakesItsDifferencesAlongAndTheReasonSaysSo) {
  ASSERT_TRUE(facts(2, 3).is_difference());
  flip("journal", *CaptureReader::open(files::posix(), folder_)->units().record_of(unit(2, 1)) + 40);
  const auto found = verified();
  const auto fault = std::ranges::find_if(found.faults, [](const FaultRun& run) { return run.pass == 3; });
  ASSERT_NE(fault, found.faults.end());
  EXPECT_EQ(fault->first.index, 2u);
  EXPECT_EQ(fault->fault, Fault::missing);
  EXPECT_EQ(fault->why, "kept as the difference to pass 1, of which the journal has no record");
}

TEST_F(Verify, AHoleInTheJournalNamesTheUnitThatItSwallowed) {
  const auto record = CaptureReader::open(files::posix(), folder_)->units().record_of(unit(2, 2));
  flip("journal", *record + 40);
  const auto found = verified();
  EXPECT_FALSE(found.whole());
  EXPECT_FALSE(found.chain_whole);
  EXPECT_EQ(found.journal_damage_count, 1u);
  EXPECT_EQ(found.journal_damages[0].offset, *record);
  EXPECT_EQ(text(found), "2 unrecorded 2+1\n--passes 2 --blocks 2+1\n");
  read_again(found.mends[0]);
  EXPECT_EQ(text(verified()), "");
  EXPECT_FALSE(verified().whole());  // the chain stays broken
}

// Whatever byte of a pass or of the journal changes, the capture is not whole; at its very end the journal counts as torn.
TEST_F(Verify, NoFlippedByteIsOverlooked) {
  for (const std::string name : {"pass-0001.dat", "pass-0002.dat", "pass-0003.dat", "journal"})
    for (std::uint64_t at = 0, size = std::filesystem::file_size(path(name)); at < size; at += 97) {
      flip(name, at);
      const auto found = verify_capture(files::posix(), folder_);
      ASSERT_TRUE(found) << name << " byte " << at << ": " << found.error().text();
      EXPECT_TRUE(!found->whole() || (name == "journal" && found->torn_bytes > 0 && !found->closed)) << name << " byte " << at;
      flip(name, at);
    }
  EXPECT_TRUE(verified().whole());
}

// The offset of the record behind which a journal was cut at its border.
std::uint64_t record_behind(const std::string& folder, UnitAddress last) {
  const std::uint64_t from = *CaptureReader::open(files::posix(), folder)->units().record_of(last);
  std::uint64_t end = 0;
  auto reader = CaptureReader::open(files::posix(), folder);
  EXPECT_TRUE(reader->for_each_record([&](const Record& record) -> Result<void> {
    if (record.offset == from) end = record.offset + record.bytes;
    return {};
  }));
  return end;
}

std::string bytes_of_file(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}

TEST_F(Verify, AJournalCutInAnEarlierPassHasLostItsEndAndIsNotWhole) {
  for (const bool at_a_border : {true, false}) {
    const std::uint64_t border = record_behind(folder_, unit(2, 2));
    std::filesystem::resize_file(path("journal"), at_a_border ? border : border + 11);
    const auto found = verified();
    EXPECT_FALSE(found.whole());
    EXPECT_TRUE(found.end_lost);
    EXPECT_TRUE(found.chain_whole);
    EXPECT_EQ(found.torn_bytes, at_a_border ? 0u : 11u);
    ASSERT_EQ(found.unnamed.size(), 2u);  // five blocks of pass 2, and all of pass 3
    EXPECT_EQ(found.unnamed[0].pass, 2u);
    EXPECT_EQ(found.unnamed[0].from, 3 * small_chip().block_raw_bytes());
    EXPECT_EQ(found.unnamed[0].bytes, 5 * small_chip().block_raw_bytes());
    EXPECT_EQ(found.unnamed[1], (UnnamedBytes{3, 0, std::filesystem::file_size(path("pass-0003.dat"))}));
    SetUp();
  }
}

// Behind `closed` comes no unit without an `opened` record on the medium.
TEST_F(Verify, MoreBytesBehindAClosedJournalThanAFailedWriteLeavesTellOfALostEnd) {
  const std::uint64_t most = small_chip().block_raw_bytes(), size = std::filesystem::file_size(path("pass-0003.dat"));
  ASSERT_TRUE(verified().closed);
  std::filesystem::resize_file(path("pass-0003.dat"), size + most);
  EXPECT_TRUE(verified().whole());
  std::filesystem::resize_file(path("pass-0003.dat"), size + most + 1);
  EXPECT_TRUE(verified().end_lost);
}

TEST_F(Verify, MoreBytesBehindTheLastRecordThanAPowerCutLeavesTellOfALostEnd) {
  const std::uint64_t most = kSyncBytes + small_chip().block_raw_bytes(), size = std::filesystem::file_size(path("pass-0003.dat"));
  std::filesystem::resize_file(path("journal"), record_behind(folder_, unit(7, 3)));
  ASSERT_FALSE(verified().closed);
  std::filesystem::resize_file(path("pass-0003.dat"), size + most);
  EXPECT_TRUE(verified().whole());
  EXPECT_EQ(verified().unnamed, (std::vector<UnnamedBytes>{{3, size, most}}));
  std::filesystem::resize_file(path("pass-0003.dat"), size + most + 1);
  EXPECT_FALSE(verified().whole());
}

TEST_F(Verify, APassThatBeganBeforeTheOneInFrontWasSealedTellsOfALostEnd) {
  std::ofstream(path("pass-0004.dat")) << "one unit in flight";
  EXPECT_TRUE(verified().whole()) << "pass 3 is sealed: a kill in the first block of pass 4 leaves that";
  std::filesystem::rename(path("pass-0004.dat"), path("pass-0005.dat"));
  EXPECT_FALSE(verified().whole());
}

// Going on keeps what no record names, and a journal that comes back finds it.
TEST_F(Verify, GoingOnBehindALostEndKeepsItsBytesAndTheLossStaysToBeSeen) {
  const std::string journal = bytes_of_file(path("journal")), pass_2 = bytes_of_file(path("pass-0002.dat")),
                    pass_3 = bytes_of_file(path("pass-0003.dat"));
  std::filesystem::resize_file(path("journal"), record_behind(folder_, unit(2, 2)));
  read_again({.first = {0}, .count = 8, .passes = 3});
  EXPECT_TRUE(bytes_of_file(path("pass-0002.dat")).starts_with(pass_2));
  EXPECT_TRUE(bytes_of_file(path("pass-0003.dat")).starts_with(pass_3));
  const auto gone_on = verified();
  EXPECT_EQ(gone_on.whole_units, 24u);
  EXPECT_EQ(text(gone_on), "");
  EXPECT_TRUE(gone_on.unnamed.empty()) << "the record of the new session speaks of them";
  EXPECT_TRUE(gone_on.end_was_lost);
  EXPECT_FALSE(gone_on.end_lost) << "no more";
  EXPECT_FALSE(gone_on.whole());
  std::ofstream(path("journal"), std::ios::binary) << journal;
  const auto restored = verified();
  EXPECT_EQ(restored.whole_units, 24u);
  EXPECT_TRUE(restored.closed);
  EXPECT_TRUE(restored.end_lost) << "it does not name what was read since: it belongs into a copy of the capture";
}

// An earlier program cut off such bytes only when it opened the same pass again.
TEST_F(Verify, InACaptureOfVersion1TheAmountAloneTells) {
  std::string head = bytes_of_file(path("capture.json"));
  head.replace(head.find("steadycell-capture/2"), 20, "steadycell-capture/1");
  std::ofstream(path("capture.json")) << head;
  std::ofstream(path("pass-0001.dat"), std::ios::app) << "a unit in flight";
  const std::uint64_t most = kSyncBytes + small_chip().block_raw_bytes(), size = std::filesystem::file_size(path("pass-0003.dat"));
  std::filesystem::resize_file(path("pass-0003.dat"), size + most);
  EXPECT_TRUE(verified().whole());
  EXPECT_EQ(verified().unnamed.size(), 2u);
  std::filesystem::resize_file(path("pass-0003.dat"), size + most + 1);
  EXPECT_TRUE(verified().end_lost);
}

// The hole may have taken what sealed the pass before: then a unit in flight is no sign of more.
TEST_F(Verify, AHoleInTheJournalDoesNotMakeAUnitInFlightALostEnd) {
  auto writer = CaptureWriter::open(files::posix(), folder_);
  ASSERT_TRUE(writer->append_unit(unit(0, 4), content(0, 4), all_read_));
  ASSERT_TRUE(writer->finish());
  std::ofstream(path("pass-0005.dat")) << "one unit in flight";
  EXPECT_TRUE(verified().end_lost) << "pass 4 was never sealed";
  flip("journal", 40);
  EXPECT_FALSE(verified().end_lost);
  EXPECT_FALSE(verified().whole());
}

// What a killed process leaves: the unit in flight. It stays, the next comes behind it, and its record says so.
TEST_F(Verify, AUnitInFlightIsKeptAndTold) {
  const std::string before = bytes_of_file(path("pass-0003.dat"));
  std::ofstream(path("pass-0003.dat"), std::ios::binary | std::ios::app) << "half a unit";
  EXPECT_TRUE(verified().whole());
  read_again({.first = {0}, .count = 1, .passes = 4});
  const auto found = verified();
  EXPECT_TRUE(found.whole());
  EXPECT_TRUE(found.unnamed.empty());
  EXPECT_EQ(bytes_of_file(path("pass-0003.dat")), before + "half a unit");
  auto reader = CaptureReader::open(files::posix(), folder_);
  std::vector<std::string> told;
  ASSERT_TRUE(reader->for_each_record([&](const Record& record) -> Result<void> {
    if (const auto* unnamed = record.payload.if_contains("unnamed_bytes")) told.push_back(json::text_of(*unnamed));
    return {};
  }));
  EXPECT_EQ(told, std::vector<std::string>{fmt::format(R"([{{"pass":3,"from":{},"bytes":11}}])", before.size())});
}

TEST_F(Verify, UnfinishedPassesAreNoFault) {
  auto writer = CaptureWriter::open(files::posix(), folder_);
  ASSERT_TRUE(writer->append_unit(unit(0, 4), content(0, 4), all_read_));
  ASSERT_TRUE(writer->finish());
  const auto found = verified();
  EXPECT_TRUE(found.whole());
  EXPECT_EQ(found.usual_passes, 3u);
  EXPECT_FALSE(found.passes[3].sealed);
}

TEST_F(Verify, StopIsHeard) {
  const std::atomic<bool> stop = true;
  const auto stopped = verify_capture(files::posix(), folder_, {.progress = {}, .stop = &stop});
  ASSERT_FALSE(stopped);
  EXPECT_EQ(stopped.error().code(), ErrorCode::interrupted);
}

TEST_F(Verify, WithoutHeadOrJournalItSaysWhichIsGoneAndWhatToDo) {
  std::filesystem::rename(path("journal"), path("kept"));
  const auto no_journal = verify_capture(files::posix(), folder_);
  ASSERT_FALSE(no_journal);
  EXPECT_EQ(no_journal.error().code(), ErrorCode::file_damaged);
  EXPECT_NE(no_journal.error().text().find("put it back from a copy"), std::string::npos) << no_journal.error().text();
  std::filesystem::rename(path("kept"), path("journal"));
  flip("capture.json", 0);
  const auto no_head = verify_capture(files::posix(), folder_);
  ASSERT_FALSE(no_head);
  EXPECT_EQ(no_head.error().code(), ErrorCode::file_damaged);
  EXPECT_NE(no_head.error().text().find("capture.json"), std::string::npos) << no_head.error().text();
}

}  // namespace
}  // namespace steadycell::passes
