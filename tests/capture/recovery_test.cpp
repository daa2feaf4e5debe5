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

// Reads three passes over a link that a stall hits twice in the second.
TEST(Recovery, F04_ThePassesRecordsSayHowOftenTheLinkHadToBeRecoveredAndANoteDoes) {
  const simbench::Fixture fixture = slc_chip();
  simbench::SimSession session(fixture);
  files::MemoryDisk disk;
  std::vector<link::Rung> rungs;
  Result<ReadResult> done = failure(ErrorCode::internal, "did not run");
  std::vector<std::string> said;
  // In the middle of pass 2 by what the board sends, not by what is written: writing lags behind. What is lost lies up to a
  // socket's buffer in front of these pages.
  std::atomic<board::testing::LinkThatSticks*> stalls_on = nullptr;
  std::atomic<unsigned> stalls = 0;
  session.board().faults().on_frame([&](simbench::OutgoingFrame& frame) {
    constexpr std::array<std::uint32_t, 2> kRows{2 * 64, 7 * 64};
    if (frame.header.type != SCP_PAGE_DATA || stalls_on == nullptr || stalls == kRows.size()) return;
    const ByteSpan payload = ByteSpan(frame.bytes).subspan(SCP_HEADER_BYTES);
    if (load_u32(payload.subspan(4)) != 2 || load_u32(payload.subspan(8)) != kRows[stalls]) return;
    ++stalls;
    stalls_on.load()->stall();
  });
  run([&]() -> asio::awaitable<void> {
    auto socket = link::adopt_socket(co_await asio::this_coro::executor, session.take_host_fd(), "bench");
    auto made = std::make_unique<board::testing::LinkThatSticks>(std::move(socket), link::Rung::clear_halts, rungs);
    stalls_on = made.get();
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
    EXPECT_EQ(stalls, 2u);
    stalls_on = nullptr;
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
