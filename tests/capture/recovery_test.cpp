// What a capture keeps of a link that had to be recovered while it was read.
#include "board/link_that_sticks.h"
#include "capture/read.h"
#include "chips.h"
#include "files/memory_disk.h"
#include "passes/capture.h"

namespace steadycell::capture {
namespace {

using namespace testing;

struct PassEnd {
  std::uint64_t pass, recoveries;
  bool operator==(const PassEnd&) const = default;
};

std::vector<PassEnd> pass_ends(files::FileSystem& disk) {
  std::vector<PassEnd> ends;
  auto reader = passes::CaptureReader::open(disk, "capture");
  EXPECT_TRUE(reader);
  if (!reader) return ends;
  EXPECT_TRUE(reader->for_each_record([&](const passes::Record& record) -> Result<void> {
    const json::Value* event = record.payload.if_contains("event");
    if (event != nullptr && *event == "pass-end")
      ends.push_back({record.payload.at("pass").to_number<std::uint64_t>(),
                      record.payload.at("link_recoveries").to_number<std::uint64_t>()});
    return {};
  }));
  return ends;
}

// Stalls early and late in the 1 MB of pass 2: counted from its run's request on, so that neither the pace of the board nor that of
// the host matters.
class StallsInPassTwo final : public board::testing::LinkThatSticks {
 public:
  using LinkThatSticks::LinkThatSticks;
  asio::awaitable<Result<void>> write(ByteSpan bytes) override {
    if (!begun_ && bytes.size() >= SCP_HEADER_BYTES + 8 && load_u16(bytes.subspan(kType)) == SCP_PROGRAM_RUN &&
        load_u32(bytes.subspan(SCP_HEADER_BYTES + 4)) == 2) {
      begun_ = true;
      stall_behind({100'000, 700'000});
    }
    return LinkThatSticks::write(bytes);
  }
  bool all_came() const { return begun_ && !stalls_ahead(); }

 private:
  static constexpr std::size_t kType = 6;  // where a frame has its type (PROTOCOL.md, 1)
  bool begun_ = false;
};

// Reads three passes over a link that a stall hits twice in the second.
TEST(Recovery, F04_ThePassesRecordsSayHowOftenTheLinkHadToBeRecoveredAndANoteDoes) {
  const simbench::Fixture fixture = slc_chip();
  simbench::SimSession session(fixture);
  files::MemoryDisk disk;
  std::vector<link::Rung> rungs;
  Result<ReadResult> done = failure(ErrorCode::internal, "did not run");
  std::vector<std::string> said;
  run([&]() -> asio::awaitable<void> {
    auto socket = link::adopt_socket(co_await asio::this_coro::executor, session.take_host_fd(), "bench");
    auto made = std::make_unique<StallsInPassTwo>(std::move(socket), link::Rung::clear_halts, rungs);
    const StallsInPassTwo& stalls = *made;
    auto client = co_await board::BoardClient::connect(std::move(made), nullptr);
    EXPECT_TRUE(client) << client.error().text();
    if (!client) co_return;
    ReadOptions options;
    options.folder = "capture";
    options.passes = 3;
    options.blocks = NumberRange{0, kBlocks - 1};
    options.consent = Millivolts(3300);
    options.tool = "test";
    options.note = [&](std::string_view text) { said.emplace_back(text); };
    done = co_await read_chip(**client, disk, std::move(options));
    EXPECT_TRUE(stalls.all_came());
    co_await (*client)->close();
  });
  ASSERT_TRUE(done) << done.error().text();
  EXPECT_EQ(done->units_read, 3u * kBlocks);
  EXPECT_EQ(done->pages_not_transferred, 0u);
  EXPECT_EQ(pass_ends(disk), (std::vector<PassEnd>{{1, 0}, {2, 2}, {3, 0}}));
  const auto about = [](const std::string& text) { return text.find("recovered 2 times") != std::string::npos; };
  ASSERT_EQ(std::count_if(done->notes.begin(), done->notes.end(), about), 1);
  EXPECT_NE(std::find_if(done->notes.begin(), done->notes.end(), about)->find("pass 2"), std::string::npos);
  EXPECT_EQ(std::count_if(said.begin(), said.end(), about), 1);
  for (std::uint32_t pass = 1; pass <= 3; ++pass) {
    auto reader = passes::CaptureReader::open(disk, "capture");
    ASSERT_TRUE(reader);
    const simbench::TargetFixture& target = fixture.chip->targets[0];
    Bytes raw(target.geometry.block_raw_bytes()), wanted(raw.size());
    std::vector<passes::PageStatus> status(target.geometry.pages_per_block);
    for (std::uint32_t block = 0; block < kBlocks; ++block) {
      ASSERT_TRUE(reader->read_unit({{}, {block}, pass}, raw, status));
      target.content->copy(std::uint64_t{block} * raw.size(), wanted);
      EXPECT_TRUE(raw == wanted) << "pass " << pass << ", block " << block;
    }
  }
}

}  // namespace
}  // namespace steadycell::capture
