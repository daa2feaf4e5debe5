#include "link/replay.h"

#include <boost/asio/steady_timer.hpp>
#include <optional>

#include "link/run.h"

namespace steadycell::link {
namespace {

using testing::run;

constexpr std::uint16_t kAsk = 0x0123, kPoll = 0x0124;

Bytes frame(std::uint8_t channel, std::uint16_t type, std::uint32_t sequence, std::uint32_t id,
            const Bytes& payload) {
  const scp_header header{.version = SCP_VERSION,
                          .channel = channel,
                          .type = type,
                          .sequence = sequence,
                          .request_id = id,
                          .length = static_cast<std::uint32_t>(payload.size())};
  Bytes bytes(SCP_HEADER_BYTES + payload.size() + SCP_TRAILER_BYTES);
  scp_put_header(bytes.data(), &header);
  std::copy(payload.begin(), payload.end(), bytes.begin() + SCP_HEADER_BYTES);
  scp_put_trailer(bytes.data() + SCP_HEADER_BYTES + payload.size(), payload.data(), payload.size());
  return bytes;
}
Bytes request(std::uint16_t type, std::uint32_t id, const Bytes& payload) {
  return frame(SCP_CHANNEL_COMMAND, type, 0, id, payload);
}
Bytes answer(std::uint16_t type, std::uint32_t sequence, std::uint32_t id, const Bytes& payload) {
  return frame(SCP_CHANNEL_COMMAND, type | SCP_ANSWER, sequence, id, payload);
}
Bytes page(std::uint32_t sequence, std::uint32_t id, const Bytes& payload) {
  return frame(SCP_CHANNEL_PAGE, SCP_PAGE_DATA, sequence, id, payload);
}

Bytes joined(const std::vector<Bytes>& parts) {
  Bytes all;
  for (const Bytes& part : parts) all.insert(all.end(), part.begin(), part.end());
  return all;
}

// Says what it was given, a few bytes at a time.
class Scripted final : public Link {
 public:
  explicit Scripted(Bytes says) : says_(std::move(says)) {}
  asio::awaitable<Result<std::size_t>> read_some(MutableByteSpan into) override {
    const std::size_t count = std::min({into.size(), says_.size() - at_, std::size_t{7}});
    if (count == 0) co_return failure(ErrorCode::link_lost, "said all");
    std::copy_n(says_.begin() + static_cast<std::ptrdiff_t>(at_), count, into.begin());
    at_ += count;
    co_return count;
  }
  asio::awaitable<Result<void>> write(ByteSpan) override { co_return Result<void>(); }
  void close() override {}
  std::string describe() const override { return "scripted"; }

 private:
  Bytes says_;
  std::size_t at_ = 0;
};

// A greeting, a poll asked twice with two answers, and a request that brings two pages, an event between them.
Recording recorded() {
  Recording recording;
  for (const Bytes& one : {request(SCP_HELLO, 1, {1}), answer(SCP_HELLO, 0, 1, {0, 0, 1}), request(kPoll, 2, {}),
                           answer(kPoll, 1, 2, {7}), request(kPoll, 3, {}), answer(kPoll, 2, 3, {8}),
                           request(kAsk, 4, {5}), answer(kAsk, 3, 4, {0}), page(0, 4, {9, 9, 9}),
                           frame(SCP_CHANNEL_COMMAND, SCP_EVENT, 4, 0, {3}), page(1, 4, {6, 6})}) {
    const auto parsed = Recording::parse(one);
    EXPECT_TRUE(parsed);
    scp_header header;
    EXPECT_TRUE(scp_get_header(one.data(), SCP_MAX_PAYLOAD, &header));
    recording.add(header, ByteSpan(one).subspan(SCP_HEADER_BYTES, header.length));
  }
  return recording;
}

struct Said {
  Bytes bytes;
  std::optional<Error> error;
};

// What the replay says to `asked`, read `piece` bytes at a time.
Said said_to(const Recording& recording, const std::vector<Bytes>& asked, std::size_t piece) {
  Said said;
  asio::io_context context;
  run(context, [&]() -> asio::awaitable<void> {
    const auto link = replay(context.get_executor(), std::make_shared<const Recording>(recording));
    const Bytes all = joined(asked);
    (void)co_await link->write(ByteSpan(all).first(10));  // requests may come in pieces, too
    (void)co_await link->write(ByteSpan(all).subspan(10));
    Bytes into(piece);
    for (;;) {
      asio::steady_timer patience(context, std::chrono::milliseconds(20));
      patience.async_wait([&](const boost::system::error_code& cancelled) {
        if (!cancelled) link->close();
      });
      const auto got = co_await link->read_some(into);
      if (!got) {
        said.error = got.error();
        break;
      }
      said.bytes.insert(said.bytes.end(), into.begin(), into.begin() + static_cast<std::ptrdiff_t>(*got));
    }
  }());
  return said;
}

TEST(Replay, AnswersWithTheRequestIdsAndSequencesOfNow) {
  const std::vector<Bytes> asked{request(SCP_HELLO, 71, {1}), request(kPoll, 72, {}), request(kPoll, 73, {}),
                                 request(kAsk, 75, {5})};
  const Bytes expected =
      joined({answer(SCP_HELLO, 0, 71, {0, 0, 1}), answer(kPoll, 1, 72, {7}), answer(kPoll, 2, 73, {8}),
              answer(kAsk, 3, 75, {0}), page(0, 75, {9, 9, 9}), page(1, 75, {6, 6})});
  for (const std::size_t piece : {1U, 5U, 24U, 4096U}) {
    const Said said = said_to(recorded(), asked, piece);
    EXPECT_EQ(said.bytes, expected) << piece;
    ASSERT_TRUE(said.error);
    EXPECT_EQ(said.error->code(), ErrorCode::link_lost);
  }
}

TEST(Replay, PollsMayBeFewerOrMoreThanThen) {
  const Bytes hello = answer(SCP_HELLO, 0, 1, {0, 0, 1});
  EXPECT_EQ(
      said_to(recorded(), {request(SCP_HELLO, 1, {1}), request(kPoll, 2, {}), request(kAsk, 3, {5})}, 64).bytes,
      joined(
          {hello, answer(kPoll, 1, 2, {7}), answer(kAsk, 2, 3, {0}), page(0, 3, {9, 9, 9}), page(1, 3, {6, 6})}));
  EXPECT_EQ(
      said_to(recorded(),
              {request(SCP_HELLO, 1, {1}), request(kPoll, 2, {}), request(kPoll, 3, {}), request(kPoll, 4, {})},
              64)
          .bytes,
      joined({hello, answer(kPoll, 1, 2, {7}), answer(kPoll, 2, 3, {8}), answer(kPoll, 3, 4, {8})}));
}

TEST(Replay, ANewGreetingBeginsTheSequencesAnew) {
  EXPECT_EQ(
      said_to(recorded(), {request(SCP_HELLO, 1, {1}), request(kPoll, 2, {}), request(SCP_HELLO, 3, {1})}, 64)
          .bytes,
      joined({answer(SCP_HELLO, 0, 1, {0, 0, 1}), answer(kPoll, 1, 2, {7}), answer(SCP_HELLO, 0, 3, {0, 0, 1})}));
}

TEST(Replay, HeartbeatsNeedNoAnswer) {
  EXPECT_EQ(said_to(recorded(), {request(SCP_HELLO, 1, {1}), request(SCP_HEARTBEAT, 2, {})}, 64).bytes,
            answer(SCP_HELLO, 0, 1, {0, 0, 1}));
}

TEST(Replay, ARequestThatWasNotRecordedEndsTheLinkAndIsNamed) {
  for (const Bytes& strange :
       {request(0x0777, 2, {}), request(kAsk, 2, {6}), request(kAsk, 2, {5})}) {  // the last out of its turn
    const Said said = said_to(recorded(), {request(SCP_HELLO, 1, {1}), strange}, 64);
    ASSERT_TRUE(said.error);
    EXPECT_EQ(said.error->code(), ErrorCode::link_lost);
    EXPECT_NE(said.error->text().find("nobody asked request 0x0"), std::string::npos) << said.error->text();
  }
}

TEST(Record, KeepsWholeFramesOfBothDirectionsHoweverTheyAreCut) {
  const Recording wanted = recorded();
  const auto kept = std::make_shared<Recording>();
  asio::io_context context;
  run(context, [&]() -> asio::awaitable<void> {
    const Bytes says = joined({answer(SCP_HELLO, 0, 1, {0, 0, 1}), answer(kPoll, 1, 2, {7}),
                               answer(kPoll, 2, 3, {8}), answer(kAsk, 3, 4, {0}), page(0, 4, {9, 9, 9}),
                               frame(SCP_CHANNEL_COMMAND, SCP_EVENT, 4, 0, {3}), page(1, 4, {6, 6})});
    const auto link = record(std::make_unique<Scripted>(says), kept);
    const Bytes asks =
        joined({request(SCP_HELLO, 1, {1}), request(kPoll, 2, {}), request(kPoll, 3, {}), request(kAsk, 4, {5})});
    (void)co_await link->write(ByteSpan(asks).first(30));
    (void)co_await link->write(ByteSpan(asks).subspan(30));
    Bytes into(64);
    while (co_await link->read_some(into)) {
    }
    EXPECT_EQ(link->describe(), "scripted");
  }());
  ASSERT_EQ(kept->exchanges().size(), wanted.exchanges().size());
  for (std::size_t i = 0; i < wanted.exchanges().size(); ++i) {
    EXPECT_EQ(kept->exchanges()[i].request.header.request_id, wanted.exchanges()[i].request.header.request_id);
    EXPECT_EQ(kept->exchanges()[i].caused.size(), wanted.exchanges()[i].caused.size()) << i;
    EXPECT_EQ(kept->exchanges()[i].asked_before, i == 2);
  }
}

TEST(Recording, ComesBackFromItsBytesAndFromNothingElse) {
  const Recording recording = recorded();
  const auto again = Recording::parse(recording.bytes());
  ASSERT_TRUE(again) << again.error().text();
  EXPECT_TRUE(std::ranges::equal(again->bytes(), recording.bytes()));
  EXPECT_EQ(again->exchanges().size(), 4U);
  Bytes cut(recording.bytes().begin(), recording.bytes().end());
  cut.pop_back();
  EXPECT_EQ(Recording::parse(cut).error().code(), ErrorCode::bad_input_file);
  Bytes damaged(recording.bytes().begin(), recording.bytes().end());
  damaged[SCP_HEADER_BYTES] ^= 1;
  EXPECT_EQ(Recording::parse(damaged).error().code(), ErrorCode::bad_input_file);
}

}  // namespace
}  // namespace steadycell::link
