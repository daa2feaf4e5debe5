// Trace files whose writer was killed or lost power (RFC 1952: a gzip member ends in its checksum and length).
#include "measure/trace_file.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>

#include "supply/diagnosis.h"

namespace steadycell::measure {
namespace {

using ::testing::Contains;
using ::testing::HasSubstr;

class TraceFile : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = ::testing::TempDir() + "trace_file_" + std::to_string(::getpid());
    std::filesystem::remove_all(folder_);
    std::filesystem::create_directories(folder_);
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  // As the recorder writes: a header that promises an end, then pieces that are flushed one by one.
  std::string written(const std::string& name, int pieces, bool ended) {
    const std::string path = folder_ + "/" + name;
    auto writer = TraceWriter::create(files::posix(), path);
    EXPECT_TRUE(writer);
    supply::TraceHeader header;
    header.rail = supply::Rail::vbus;
    std::string text{supply::kEndFollows};
    supply::append_header(header, false, text);
    for (int piece = 0, i = 0; piece < pieces; ++piece) {
      for (int k = 0; k < 10; ++k, ++i) supply::append_sample({i * 1e-3, i < 20 ? 0.0 : 5.125, i < 20 ? 0.0 : 5.0}, false, text);
      EXPECT_TRUE(writer->append(text));
      text.clear();
    }
    if (ended) {
      EXPECT_TRUE(writer->append(supply::kEndHere));
      EXPECT_TRUE(writer->finish());
    }
    std::ifstream file(path, std::ios::binary);
    return {std::istreambuf_iterator<char>(file), {}};
  }
  Result<LoadedTrace> load(const std::string& name, const std::string& bytes) {
    std::ofstream(folder_ + "/" + name, std::ios::binary) << bytes;
    return load_trace(files::posix(), folder_ + "/" + name, {});
  }

  std::string folder_;
};

TEST_F(TraceFile, CutAtAnyByteIsReadAsFarAsItIsWholeAndSaysWhereItBreaksOff) {
  for (const std::string name : {"cut.csv", "cut.csv.gz"}) {
    const std::string whole = written("whole-" + name, 6, true);
    std::uint64_t most = 0;
    for (std::size_t size = 0; size < whole.size(); ++size) {
      const auto loaded = load(name, whole.substr(0, size));
      if (!loaded) {
        EXPECT_EQ(loaded.error().code(), ErrorCode::bad_input_file);
        EXPECT_EQ(most, 0u) << name << ": " << size << " bytes hold less than fewer did: " << loaded.error().text();
        continue;
      }
      EXPECT_GE(loaded->samples, most);
      EXPECT_LE(loaded->samples, 60u);
      most = loaded->samples;
      if (!loaded->header.broke_off_s) {  // only the last line's end, or the checksum, is missing
        EXPECT_GE(size + 1, whole.size()) << name;
        continue;
      }
      EXPECT_NEAR(*loaded->header.broke_off_s, (static_cast<double>(most) - 1) * 1e-3, 1e-9) << name << ", " << size << " bytes";
      const auto samples = load_samples(files::posix(), folder_ + "/" + name, 0, 1);
      ASSERT_TRUE(samples);
      for (const supply::Sample& sample : *samples) EXPECT_EQ(sample.mA, sample.time_s < 19.5e-3 ? 0 : 5.125) << "half a number was read";
    }
    EXPECT_EQ(most, 60u) << name;
    const auto loaded = load(name, whole);
    ASSERT_TRUE(loaded);
    EXPECT_FALSE(loaded->header.broke_off_s);
  }
}

TEST_F(TraceFile, ZerosThatAPowerCutLeavesBehindAreNoSamples) {
  const auto loaded = load("zeros.csv.gz", written("torn.csv.gz", 6, false) + std::string(3000, '\0'));
  ASSERT_TRUE(loaded) << loaded.error().text();
  EXPECT_EQ(loaded->samples, 60u);
  EXPECT_TRUE(loaded->header.broke_off_s);
}

TEST_F(TraceFile, DamageIsNotTakenForABreak) {
  std::string bytes = written("good.csv.gz", 6, true);
  bytes[bytes.size() - 6] ^= 1;  // of the checksum
  EXPECT_FALSE(load("sum.csv.gz", bytes));
}

// Some programs unpack what they fetch and keep the name, others pack and keep it.
TEST_F(TraceFile, IsPackedOrPlainByItsFirstBytesNotByItsName) {
  const std::string packed = written("good.csv.gz", 6, true), plain = written("good.csv", 6, true);
  for (const auto& [name, bytes] : {std::pair{"packed.csv", packed}, {"plain.csv.gz", plain}}) {
    const auto loaded = load(name, bytes);
    ASSERT_TRUE(loaded) << loaded.error().text();
    EXPECT_EQ(loaded->samples, 60u) << name;
    EXPECT_FALSE(loaded->header.broke_off_s) << name;
  }
}

TEST_F(TraceFile, TraceOfAnotherRecorderEndsWhereItEnds) {
  const auto loaded = load("other.csv", "time_s,current_mA,vbus_V\n0,1,0\n0.1,2,5");
  ASSERT_TRUE(loaded);
  EXPECT_EQ(loaded->samples, 2u);
  EXPECT_FALSE(loaded->header.broke_off_s);
}

// What only a longer look could refute is worth less, and the reader is told why.
TEST_F(TraceFile, BrokenOffRecordingIsDiagnosedWithinItsLimit) {
  const std::string whole = std::string(STEADYCELL_TEST_DATA) + "/current/s031.csv.gz";
  std::ifstream file(whole, std::ios::binary);
  std::string bytes{std::istreambuf_iterator<char>(file), {}};
  supply::TraceHeader known;
  known.rail = supply::Rail::vbus;
  const auto first = [&](const Result<LoadedTrace>& loaded) {
    supply::Settings settings;
    settings.rail = supply::Rail::vbus;
    settings.limit_mA = 500;
    return supply::diagnose(loaded->features, loaded->header, settings, nullptr, nullptr).front();
  };
  const auto all = load_trace(files::posix(), whole, known);
  ASSERT_TRUE(all);
  EXPECT_EQ(first(all).fault, supply::Fault::healthy);
  EXPECT_GT(first(all).confidence, 0.95);
  const auto cut = load("half.csv.gz", bytes.substr(0, bytes.size() * 7 / 10));
  ASSERT_TRUE(cut);
  EXPECT_EQ(first(cut).fault, supply::Fault::healthy);
  EXPECT_LT(first(cut).confidence, 0.9);
  EXPECT_THAT(first(cut).evidence, Contains(HasSubstr("breaks off at t = ")));
}

}  // namespace
}  // namespace steadycell::measure
