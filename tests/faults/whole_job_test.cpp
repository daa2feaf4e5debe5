// F-22 and F-24 over a whole job: read a chip behind the simulated board, settle, export. Every call to the disk fails, once
// and from there on for ever, and the power goes behind each. No acknowledged unit is lost, nothing under a final name is
// other than it should be, and the same job given again ends with the image of an uninterrupted one, byte for byte.
#include <gtest/gtest.h>

#include <set>

#include "base/sanitized.h"
#include "capture/chips.h"
#include "capture/read.h"
#include "files/memory_disk.h"
#include "passes/capture.h"
#include "settle/image_files.h"
#include "settle/settle.h"

namespace steadycell {
namespace {

namespace asio = boost::asio;
using files::MemoryDisk;

constexpr std::uint32_t kBlocks = 2, kPasses = 2;
const std::uint64_t kApart = kSanitized ? 5 : 1;  // calls from one that fails to the next
constexpr std::uint64_t kMostCalls = 5000;  // far beyond any job of this size: the loops below end

// A 1.8 V part is powered once: its job takes the shortest time.
simbench::Fixture weak_small_chip() {
  const Geometry geometry{.page_bytes = 512,
                          .spare_bytes = 16,
                          .pages_per_block = 32,
                          .blocks = kBlocks,
                          .luns = 1,
                          .planes = 1,
                          .bits_per_cell = 1,
                          .bus_bits = 8,
                          .column_cycles = 1,
                          .row_cycles = 3};
  simbench::Fixture fixture;
  fixture.seed = 5;
  fixture.chip.emplace();
  fixture.chip->supply_mv = 1800;
  fixture.chip->cells.marginal_fraction = 2e-3;
  fixture.chip->cells.flip_low = 0.05;
  fixture.chip->cells.flip_high = 0.5;
  simbench::TargetFixture target;
  target.id_bytes = {0xEC, 0x36};
  target.geometry = geometry;
  target.content = simbench::Content::of(capture::testing::random_content(geometry, kBlocks, 3));
  fixture.chip->targets.push_back(target);
  return fixture;
}

Result<void> read_chip(simbench::SimSession& session, files::FileSystem& disk) {
  Result<void> out = failure(ErrorCode::internal, "did not run");
  capture::testing::hide_contacts(session);  // they take the most time of all
  capture::testing::with_board(session, [&](board::BoardClient& board) -> asio::awaitable<void> {
    capture::ReadOptions options;
    options.folder = "capture";
    options.passes = kPasses;
    options.blocks = NumberRange{0, kBlocks - 1};
    options.tool = "test";
    const auto done = co_await capture::read_chip(board, disk, std::move(options));
    out = done ? Result<void>() : failure(done.error());
  });
  session.reconnect();
  return out;
}

Result<void> settle_and_export(files::FileSystem& disk) {
  const auto settled = disk.exists("image");
  if (!settled) return failure(settled.error());
  if (!*settled) {
    const auto done = settle::settle(disk, {.capture = "capture", .image = "image", .version = "0.1.0", .build = "test"});
    if (!done) return failure(done.error());
  }
  const auto exported = disk.exists("pages.bin");
  if (!exported) return failure(exported.error());
  if (*exported) return {};
  const auto done = settle::export_image_to(disk, "image", {}, "pages.bin");
  return done ? Result<void>() : failure(done.error());
}

// The machine was too busy to keep the heartbeat, or the board: says nothing about the disk, and is done again.
bool is_about_the_board(const Result<void>& done) {
  const auto hundreds = done ? 0 : static_cast<unsigned>(done.error().code()) / 100;
  return hundreds == 2 || hundreds == 3;
}

Result<void> whole_job(simbench::SimSession& session, files::FileSystem& disk) {
  auto read = read_chip(session, disk);
  for (int again = 0; again < 20 && is_about_the_board(read); ++again) read = read_chip(session, disk);
  return read ? settle_and_export(disk) : read;
}

// Units that a program was told are safe: those in front of the last `synced` record, as the running program sees the disk.
std::set<UnitAddress> acknowledged(MemoryDisk& disk) {
  std::set<UnitAddress> units, safe;
  auto reader = passes::CaptureReader::open(disk, "capture");
  if (!reader) return {};
  const auto seen = reader->for_each_record([&](const passes::Record& record) -> Result<void> {
    const auto address = [](const json::Value& v) {
      return UnitAddress{{v.at("target").to_number<std::uint8_t>(), v.at("lun").to_number<std::uint8_t>()},
                         {v.at("block").to_number<std::uint32_t>()},
                         v.at("pass").to_number<std::uint32_t>()};
    };
    if (record.type == passes::RecordType::unit) units.insert(address(json::Value(record.payload)));
    if (record.type == passes::RecordType::dropped)
      for (const json::Value& unit : record.payload.at("units").as_array()) units.erase(address(unit));
    if (record.type == passes::RecordType::synced) safe = units;
    return {};
  });
  EXPECT_TRUE(seen);
  return safe;
}

constexpr std::string_view kImageFiles[] = {"pages.raw", "corrections.xor.zst", "verdicts.csv", "margins.bin", "blocks.sha256"};

class WholeJob : public ::testing::Test {
 protected:
  void SetUp() override {
    MemoryDisk disk;
    ASSERT_TRUE(read_chip(session_, disk));
    read_ = disk.after_power_cut();  // all of it is on the medium when a read has ended
    ASSERT_TRUE(whole_job(session_, disk));
    for (const std::string_view name : kImageFiles) {
      image_.push_back(disk.content("image/" + std::string(name)));
      ASSERT_FALSE(image_.back().empty()) << name;
    }
    exported_ = disk.content("pages.bin");
    ASSERT_EQ(exported_.size(), kBlocks * 32 * 528u);
  }

  // What stands under a final name is whole and right, whatever happened.
  void check_final_names(MemoryDisk& disk, const std::string& when) {
    ++disks_checked_;
    if (*disk.exists("image")) {
      const auto verified = settle::verify_image(disk, "image");
      ASSERT_TRUE(verified) << when << ": " << verified.error().text();
      if (!verified->problems.empty()) ++wrong_bundles_;
      EXPECT_TRUE(verified->problems.empty()) << when << ": " << verified->result().error().text();
      for (std::size_t i = 0; i < std::size(kImageFiles); ++i)
        EXPECT_TRUE(disk.content("image/" + std::string(kImageFiles[i])) == image_[i]) << when << ": " << kImageFiles[i];
    }
    if (*disk.exists("pages.bin")) {
      EXPECT_TRUE(disk.content("pages.bin") == exported_) << when;
    }
  }

  void check_units(MemoryDisk& disk, const std::set<UnitAddress>& wanted, const std::string& when) {
    auto reader = passes::CaptureReader::open(disk, "capture");
    if (!reader) {
      EXPECT_TRUE(wanted.empty()) << when << ": " << reader.error().text();
      return;
    }
    EXPECT_TRUE(reader->contents().damages.empty()) << when;
    EXPECT_TRUE(reader->contents().chain_whole) << when;
    Bytes raw(reader->head().geometry.block_raw_bytes());
    std::vector<passes::PageStatus> status(reader->head().geometry.pages_per_block);
    for (const UnitAddress unit : wanted) {
      const bool there = reader->units().has(unit) && reader->read_unit(unit, raw, status);
      lost_units_ += there ? 0 : 1;
      EXPECT_TRUE(there) << when << ": lost acknowledged block " << unit.block.index << " of pass " << unit.pass;
    }
  }

  // The same job again, on what the fault and on what a power cut behind it have left.
  template <typename Job>
  void check_after(MemoryDisk& disk, std::uint64_t seed, const Job& job, const std::string& when) {
    disk.work_again();
    const auto safe = acknowledged(disk);
    check_final_names(disk, when);
    MemoryDisk cut = seed % 2 == 0 ? disk.after_power_cut() : disk.after_power_cut(seed);
    for (auto& [left, what] : {std::pair<MemoryDisk*, std::string>{&disk, when}, {&cut, when + ", then a power cut"}}) {
      check_units(*left, safe, what);
      check_final_names(*left, what);
      const bool image_stood = *left->exists("image"), export_stood = *left->exists("pages.bin");
      const auto again = job(*left);
      ASSERT_TRUE(again) << what << ": " << again.error().text();
      ASSERT_TRUE(*left->exists("image") && *left->exists("pages.bin")) << what;
      check_final_names(*left, what + ", done again");
      MemoryDisk late = left->after_power_cut();
      // A name that stood there when a job on a dying disk failed may never have reached the medium; what the job that
      // went well has made itself has.
      EXPECT_TRUE(image_stood || *late.exists("image")) << what << ": gone with the power";
      EXPECT_TRUE(export_stood || *late.exists("pages.bin")) << what << ": gone with the power";
      check_final_names(late, what + ", done again, power cut at the end");
    }
  }

  // Fails each call of `attempt` in turn; returns how many there were.
  template <typename Attempt, typename Job>
  void fail_each_call(const char* part, const MemoryDisk& start, bool for_ever, ErrorCode code, const Attempt& attempt, const Job& job) {
    std::uint64_t tried = 0, failed = 0;
    for (std::uint64_t n = 1; n < kMostCalls; n += kApart) {
      MemoryDisk disk = start.after_power_cut();
      disk.fail_call(n, code, for_ever);
      const Result<void> done = attempt(disk);
      if (is_about_the_board(done)) {
        n -= kApart;
        continue;
      }
      if (disk.failures() == 0) {
        ASSERT_TRUE(done) << done.error().text();
        break;
      }
      ++tried;
      failed += done ? 0 : 1;
      const std::string when = fmt::format("{}: call {}{}", part, n, for_ever ? " and all after" : "");
      if (!done) {
        EXPECT_EQ(done.error().code(), code) << when << ": " << done.error().text();
      }
      check_after(disk, n, job, when);
      if (HasFatalFailure()) return;
    }
    EXPECT_GT(tried, 50 / kApart);
    EXPECT_GT(failed, tried / 2);
    fmt::print(
        "{}, each call fails {}: {} call indices tried, {} jobs failed, {} disks checked, {} acknowledged units lost, {} bundles with "
        "wrong hashes\n",
        part, for_ever ? "from there on" : "once", tried, failed, disks_checked_, lost_units_, wrong_bundles_);
    RecordProperty("call_indices", static_cast<int>(tried));
  }

  void fail_the_read(bool for_ever, ErrorCode code) {
    const auto job = [&](MemoryDisk& disk) { return whole_job(session_, disk); };
    fail_each_call("read", MemoryDisk(), for_ever, code, [&](MemoryDisk& disk) { return read_chip(session_, disk); }, job);
  }
  void fail_the_rest(bool for_ever, ErrorCode code) {
    const auto job = [&](MemoryDisk& disk) { return settle_and_export(disk); };
    fail_each_call("settle and export", read_, for_ever, code, job, job);
  }

  simbench::SimSession session_{weak_small_chip()};
  MemoryDisk read_;  // with the whole capture
  std::vector<Bytes> image_;
  Bytes exported_;
  std::uint64_t disks_checked_ = 0, lost_units_ = 0, wrong_bundles_ = 0;
};

TEST_F(WholeJob, F24_ReadWhoseNthCallFailsOnceGoesOnToTheSameImage) { fail_the_read(false, ErrorCode::storage_failed); }
TEST_F(WholeJob, F22_ReadOnADiskThatGoesForEverGoesOnToTheSameImage) { fail_the_read(true, ErrorCode::storage_failed); }
TEST_F(WholeJob, F24_SettleAndExportWhoseNthCallFailsOnceEndInTheSameImage) { fail_the_rest(false, ErrorCode::storage_failed); }
TEST_F(WholeJob, F22_SettleAndExportOnADiskThatGoesForEverEndInTheSameImage) { fail_the_rest(true, ErrorCode::storage_failed); }
TEST_F(WholeJob, F23_SettleAndExportOnADiskThatIsFullEndInTheSameImage) { fail_the_rest(true, ErrorCode::storage_full); }

}  // namespace
}  // namespace steadycell
