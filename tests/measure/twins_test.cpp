#include "measure/twins.h"

#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>

#include "measure/trace_file.h"

namespace steadycell::measure {
namespace {

class Twins : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = ::testing::TempDir() + "twins_" + std::to_string(::getpid());
    std::filesystem::remove_all(folder_);
    std::filesystem::create_directories(folder_ + "/twins");
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  StoredTwin keep(const std::string& number, const std::string& controller) {
    std::ofstream(folder_ + "/trace.csv") << "time_s,current_mA,vbus_V\n0," << ++made_ << ",5\n";
    const auto kept = keep_twin(files::posix(), twins(), number, controller, folder_ + "/trace.csv");
    EXPECT_TRUE(kept) << kept.error().text();
    return *kept;
  }
  FoundTwin find(const std::string& number, const std::string& controller = "") {
    const auto found = find_twin(files::posix(), twins(), number, controller);
    EXPECT_TRUE(found) << found.error().text();
    return found ? *found : FoundTwin{};
  }
  std::string twins() const { return folder_ + "/twins"; }

  std::string folder_;
  int made_ = 0;
};

TEST_F(Twins, AreFoundHoweverTheirNumberIsSpelt) {
  keep("AB-12/3", "CX 9");
  EXPECT_EQ(keep("ab12-3", "cx9").runs.size(), 2u) << "the same twin";
  EXPECT_EQ(find("AB 12.3").twin->runs.size(), 2u);
  EXPECT_FALSE(find("AB124").twin);
}

TEST_F(Twins, SameRecordingIsNotKeptTwiceHoweverItIsPacked) {
  const StoredTwin twin = keep("AB-1", "X");
  auto writer = TraceWriter::create(files::posix(), folder_ + "/packed.csv.gz");
  ASSERT_TRUE(writer && writer->append("# note: packed again\ntime_s,current_mA,vbus_V\n0.0,1.000,5.0\n") && writer->finish());
  for (const char* name : {"/trace.csv", "/packed.csv.gz"}) {
    const auto again = keep_twin(files::posix(), twins(), "AB-1", "X", folder_ + name);
    ASSERT_FALSE(again) << name;
    EXPECT_EQ(again.error().code(), ErrorCode::already_exists);
    EXPECT_NE(again.error().text().find("run 1"), std::string::npos) << again.error().text();
  }
  EXPECT_EQ(find("AB-1").twin->runs.size(), 1u);
}

TEST_F(Twins, DroppedRunIsNoLongerComparedAndStaysOnTheDisk) {
  keep("AB-1", "X"), keep("AB-1", "X");
  const StoredTwin twin = keep("AB-1", "X");
  const auto dropped = drop_run(files::posix(), twin, 2);
  ASSERT_TRUE(dropped) << dropped.error().text();
  EXPECT_TRUE(std::filesystem::exists(*dropped));
  const auto left = find("AB-1").twin->runs;
  ASSERT_EQ(left.size(), 2u);
  EXPECT_EQ(number_of_run(left[0]), 1);
  EXPECT_EQ(number_of_run(left[1]), 3);
  EXPECT_EQ(drop_run(files::posix(), twin, 9).error().code(), ErrorCode::not_found);
  const StoredTwin more = keep("AB-1", "X");  // takes the free number
  EXPECT_EQ(more.runs.size(), 3u);
  const auto second = drop_run(files::posix(), more, 2);
  ASSERT_TRUE(second);
  EXPECT_NE(*second, *dropped) << "nothing is replaced";
}

TEST_F(Twins, DamagedOneIsLeftOutAndToldAndHidesNoOther) {
  const StoredTwin damaged = keep("AB-1", "X"), newer = keep("AB-2", "X");
  keep("AB-3", "X");
  std::ofstream(damaged.folder + "/twin.json") << "{ cut";
  std::ofstream(newer.folder + "/twin.json") << R"({"schema":"steadycell-twin/9","board_number":"AB-2"})";
  const FoundTwin found = find("AB-3");
  ASSERT_TRUE(found.twin);
  EXPECT_EQ(found.twin->board_number, "AB-3");
  ASSERT_EQ(found.damaged.size(), 2u);
  for (const std::string& why : found.damaged) EXPECT_NE(why.find("twin.json"), std::string::npos) << why;
  EXPECT_FALSE(find("AB-1").twin);
}

TEST_F(Twins, FirstReadingsBeforePowerStayAndASecondTryIsTold) {
  const auto first = keep_twin_cold(files::posix(), twins(), "AB-1", "X", {{"a", 1}});
  ASSERT_TRUE(first);
  EXPECT_TRUE(first->is_new);
  const auto second = keep_twin_cold(files::posix(), twins(), "ab1", "x", {{"a", 2}});
  ASSERT_TRUE(second);
  EXPECT_FALSE(second->is_new);
  EXPECT_EQ(second->path, first->path);
  std::ifstream file(first->path);
  EXPECT_NE(std::string(std::istreambuf_iterator<char>(file), {}).find("1"), std::string::npos);
}

TEST_F(Twins, SeveralWithOneNumberNeedTheirController) {
  keep("AB-1", "X");
  keep("AB-1", "Y");
  const auto found = find_twin(files::posix(), twins(), "AB-1", "");
  ASSERT_FALSE(found);
  EXPECT_EQ(found.error().code(), ErrorCode::wrong_usage);
  EXPECT_EQ(find("AB-1", "y").twin->controller, "Y");
}

}  // namespace
}  // namespace steadycell::measure
