#include "records/bench_root.h"

#include <gtest/gtest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>
#include <set>

#include "base/sha256.h"
#include "files/atomic.h"
#include "files/memory_disk.h"

namespace steadycell::records {
namespace {

using files::MemoryDisk;

class StillClock final : public passes::Clock {
 public:
  std::uint64_t monotonic_ns() const override { return 0; }
  std::string wall_time() const override { return "2026-03-01T10:00:00Z"; }
} const kClock;

BenchRoot bench_on(files::FileSystem& system) {
  auto bench = BenchRoot::open(system, "bench", kClock);
  EXPECT_TRUE(bench) << bench.error().text();
  return std::move(*bench);
}
std::string log_of(files::FileSystem& system) { return files::read_text(system, "bench/log.jsonl", 1 << 20).value_or(""); }
void put_log(files::FileSystem& system, std::string_view text) {
  auto file = system.open_write("bench/log.jsonl");
  ASSERT_TRUE(file);
  ASSERT_TRUE((*file)->truncate(0) && (*file)->write_at(0, as_bytes(text)) && (*file)->sync());
}
std::vector<LogEntry> lines_of(const BenchRoot& bench, Result<void>* result = nullptr) {
  std::vector<LogEntry> out;
  const auto read = bench.read_log([&](const LogEntry& entry) { out.push_back(entry); });
  if (result) *result = read;
  else EXPECT_TRUE(read) << read.error().text();
  return out;
}

TEST(BenchRoot, LineIsWhatTheHeaderSays) {
  MemoryDisk disk;
  BenchRoot bench = bench_on(disk);
  const auto first = bench.append("board.check", {{"passed", true}});
  ASSERT_TRUE(first) << first.error().text();
  const std::string front = R"({"n":1,"time":"2026-03-01T10:00:00Z","kind":"board.check","facts":{"passed":true},"previous":")" +
                            std::string(64, '0') + "\"";
  EXPECT_EQ(log_of(disk), front + ",\"hash\":\"" + to_text(Sha256::of(as_bytes(front))) + "\"}\n");
}

TEST(BenchRoot, EachLineChainsToTheOneBefore) {
  MemoryDisk disk;
  BenchRoot bench = bench_on(disk);
  for (int i = 0; i < 5; ++i) ASSERT_TRUE(bench.append("note", {{"i", i}}));
  const auto lines = lines_of(bench);
  ASSERT_EQ(lines.size(), 5u);
  for (std::size_t i = 0; i < 5; ++i) {
    EXPECT_EQ(lines[i].number, i + 1);
    EXPECT_EQ(lines[i].facts.at("i").to_number<std::size_t>(), i);
  }
}

TEST(BenchRoot, EveryChangedByteIsSeen) {
  MemoryDisk disk;
  BenchRoot bench = bench_on(disk);
  for (int i = 0; i < 3; ++i) ASSERT_TRUE(bench.append("note", {{"i", i}}));
  const std::string good = log_of(disk);
  const std::size_t third = good.rfind('\n', good.size() - 2) + 1;
  for (std::size_t at = 0; at < third; ++at) {
    std::string bad = good;
    bad[at] = static_cast<char>(bad[at] ^ 1);
    put_log(disk, bad);
    Result<void> read;
    lines_of(bench, &read);
    ASSERT_FALSE(read) << "byte " << at;
    EXPECT_EQ(read.error().code(), ErrorCode::file_damaged);
  }
}

TEST(BenchRoot, DroppedOrSwappedLineIsSeen) {
  MemoryDisk disk;
  BenchRoot bench = bench_on(disk);
  for (int i = 0; i < 4; ++i) ASSERT_TRUE(bench.append("note", {{"i", i}}));
  std::vector<std::string> lines;
  const std::string good = log_of(disk);
  for (std::size_t from = 0; from < good.size(); from = good.find('\n', from) + 1)
    lines.push_back(good.substr(from, good.find('\n', from) + 1 - from));
  for (const std::string& bad :
       {lines[0] + lines[2] + lines[3], lines[1] + lines[2] + lines[3], lines[0] + lines[2] + lines[1] + lines[3]}) {
    put_log(disk, bad);
    Result<void> read;
    lines_of(bench, &read);
    EXPECT_FALSE(read);
  }
}

TEST(BenchRoot, LineCutAtAnyByteIsKeptAsideAndTheChainGoesOn) {
  MemoryDisk disk;
  BenchRoot bench = bench_on(disk);
  ASSERT_TRUE(bench.append("note", {{"i", 1}}));
  const std::size_t first = log_of(disk).size();
  ASSERT_TRUE(bench.append("note", {{"i", 2}}));
  const std::string good = log_of(disk);
  for (std::size_t cut = first + 1; cut < good.size(); ++cut) {
    for (const std::string& torn : {good.substr(0, cut), good.substr(0, cut) + std::string(good.size() - cut, '\0'),
                                    good.substr(0, cut - 1) + '\0' + good.substr(cut)}) {
      put_log(disk, torn);
      EXPECT_EQ(lines_of(bench).size(), 1u) << cut;
      const auto appended = bench.append("note", {{"i", 3}});
      ASSERT_TRUE(appended) << cut << ": " << appended.error().text();
      EXPECT_EQ(appended->number, 2u);
      const std::string name = "bench/" + std::string(appended->facts.at("torn_line_kept_as").as_string());
      EXPECT_EQ(files::read_text(disk, name, 1 << 20).value_or("missing"), torn.substr(first));
      EXPECT_EQ(lines_of(bench).size(), 2u);
      ASSERT_TRUE(disk.remove_file(name));
    }
  }
}

TEST(BenchRoot, TornFirstLineIsKeptAside) {
  MemoryDisk disk;
  BenchRoot bench = bench_on(disk);
  ASSERT_TRUE(bench.append("note", {}));
  put_log(disk, log_of(disk).substr(0, 30));
  const auto appended = bench.append("note", {});
  ASSERT_TRUE(appended) << appended.error().text();
  EXPECT_EQ(appended->number, 1u);
  EXPECT_EQ(lines_of(bench).size(), 1u);
}

TEST(BenchRoot, MoreThanOneBadLineIsRefusedAndLeftAlone) {
  MemoryDisk disk;
  BenchRoot bench = bench_on(disk);
  for (int i = 0; i < 3; ++i) ASSERT_TRUE(bench.append("note", {{"i", i}}));
  std::string bad = log_of(disk);
  bad[bad.find('\n') + 20] ^= 1;
  bad[bad.size() - 20] ^= 1;
  put_log(disk, bad);
  const auto appended = bench.append("note", {});
  ASSERT_FALSE(appended);
  EXPECT_EQ(appended.error().code(), ErrorCode::file_damaged);
  EXPECT_EQ(log_of(disk), bad);
}

TEST(BenchRoot, AcknowledgedLinesSurviveEveryPowerCut) {
  for (std::uint64_t torn = 0; torn < 40; ++torn) {
    MemoryDisk disk;
    BenchRoot bench = bench_on(disk);
    int acknowledged = 0;
    for (; acknowledged < 20; ++acknowledged) ASSERT_TRUE(bench.append("note", {{"i", acknowledged}, {"pad", std::string(700, 'x')}}));
    // The next line is written and its sync fails.
    disk.fail_call(5, ErrorCode::storage_failed, true);
    EXPECT_FALSE(bench.append("note", {{"pad", std::string(9000, 'y')}}));
    MemoryDisk after = disk.after_power_cut(torn);
    BenchRoot again = bench_on(after);
    EXPECT_GE(lines_of(again).size(), 20u);
    EXPECT_TRUE(again.append("note", {}));
  }
}

TEST(BenchRoot, FailingAtAnyCallAcknowledgesNothingAndSpoilsNothing) {
  for (std::uint64_t n = 1;; ++n) {
    MemoryDisk disk;
    BenchRoot bench = bench_on(disk);
    ASSERT_TRUE(bench.append("note", {{"i", 1}}));
    disk.fail_call(n, ErrorCode::storage_failed, false);
    const auto second = bench.append("note", {{"i", 2}});
    const bool failed = disk.failures() > 0;
    disk.work_again();
    EXPECT_EQ(second.has_value(), !failed) << n;
    ASSERT_TRUE(bench.append("note", {{"i", 3}})) << n;
    const auto lines = lines_of(bench);
    EXPECT_EQ(lines.size(), failed ? 2u : 3u) << n;
    if (!failed) {
      EXPECT_GT(n, 5u);
      break;
    }
  }
}

TEST(BenchRoot, OverlongFactsAreRefused) {
  MemoryDisk disk;
  BenchRoot bench = bench_on(disk);
  const auto appended = bench.append("note", {{"text", std::string(kLongestLogLine, 'x')}});
  ASSERT_FALSE(appended);
  EXPECT_EQ(appended.error().code(), ErrorCode::wrong_usage);
  EXPECT_TRUE(bench.append("note", {}));
}

TEST(BenchRoot, BoardFolderStaysInside) {
  MemoryDisk disk;
  const BenchRoot bench = bench_on(disk);
  EXPECT_EQ(bench.board_folder("6b1f").value_or(""), "bench/boards/6b1f");
  EXPECT_EQ(bench.board_folder("6b1f").value_or(""), "bench/boards/6b1f");
  const auto outside = bench.board_folder("../elsewhere");
  ASSERT_FALSE(outside);
  EXPECT_EQ(outside.error().code(), ErrorCode::bad_name);
  EXPECT_EQ(bench.twins_folder().value_or(""), "bench/twins");
}

TEST(BenchRoot, SeveralProcessesShareOneLog) {
  std::string name = (std::filesystem::temp_directory_path() / "steadycell-records-XXXXXX").string();
  ASSERT_NE(::mkdtemp(name.data()), nullptr);
  const std::string folder = name + "/bench";
  constexpr int kProcesses = 4, kLines = 25;
  for (int p = 0; p < kProcesses; ++p) {
    const pid_t child = ::fork();
    ASSERT_GE(child, 0);
    if (child == 0) {
      auto bench = BenchRoot::open(files::posix(), folder);
      bool good = bench.has_value();
      for (int i = 0; good && i < kLines; ++i) good = bench->append("note", {{"process", p}, {"i", i}}).has_value();
      ::_exit(good ? 0 : 1);
    }
  }
  for (int p = 0; p < kProcesses; ++p) {
    int status = 0;
    ASSERT_GT(::wait(&status), 0);
    EXPECT_TRUE(WIFEXITED(status) && WEXITSTATUS(status) == 0);
  }
  auto bench = BenchRoot::open(files::posix(), folder);
  ASSERT_TRUE(bench);
  std::set<std::pair<int, int>> seen;
  const auto read = bench->read_log([&](const LogEntry& e) {
    seen.insert({e.facts.at("process").to_number<int>(), e.facts.at("i").to_number<int>()});
  });
  EXPECT_TRUE(read) << read.error().text();
  EXPECT_EQ(seen.size(), std::size_t{kProcesses * kLines});
  std::filesystem::remove_all(name);
}

}  // namespace
}  // namespace steadycell::records
