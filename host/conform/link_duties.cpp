#include <fmt/format.h>

#include <algorithm>

#include "conform/duty.h"

// Frames, greeting, requests: PROTOCOL.md, sections 1 to 3.
namespace steadycell::conform {
namespace {

constexpr double kAnswer_ms = 1000;

asio::awaitable<Finding> greeting(Bench& bench) {
  const Reply reply = co_await bench.wire.greet(SCP_VERSION_OLDEST, SCP_VERSION);
  if (!reply.is(SCP_OK)) co_return passed_if(false, "HELLO: " + to_text(reply));
  const auto info = protocol::decode_hello(reply.rest);
  if (!info) co_return passed_if(false, info.error().what());
  std::vector<std::string> wrong;
  if (info->protocol < SCP_VERSION_OLDEST || info->protocol > SCP_VERSION)
    wrong.emplace_back(fmt::format("version {} was not offered", info->protocol));
  if (info->uuid.find_first_not_of("0-") == std::string::npos) wrong.emplace_back("the UUID is all zero");
  if (info->can_socket && info->targets == 0) wrong.emplace_back("a socket without targets");
  constexpr std::uint32_t kLeastPayload = 2112 + 20;  // one page of 2048 + 64 bytes behind its prefix
  if (info->can_socket && info->max_payload < kLeastPayload)
    wrong.emplace_back(fmt::format("max_payload {} is below {}", info->max_payload, kLeastPayload));
  for (const Received& frame : bench.wire.received())
    if (frame.header.type == (SCP_HELLO | SCP_ANSWER) && frame.header.sequence != 0)
      wrong.emplace_back(fmt::format("its answer has sequence {}, not 0", frame.header.sequence));
  Finding finding = all_right(5, wrong, "things of the greeting are right");
  finding.measured = Measured{reply.ms, "ms", fmt::format("at most {}", kAnswer_ms)};
  co_return finding;
}

asio::awaitable<Finding> other_versions(Bench& bench) {
  std::vector<std::string> wrong;
  const Bytes future{250, 251, 0, 0};
  const Reply hello = co_await bench.wire.ask(SCP_HELLO, future);
  if (!hello.is(SCP_VERSION_MISMATCH)) wrong.push_back("HELLO for versions 250 to 251: " + to_text(hello));
  bench.wire.version(250);
  const Reply state = co_await bench.wire.ask(SCP_BOARD_STATE);
  bench.wire.version(bench.board.protocol);
  if (!state.is(SCP_VERSION_MISMATCH)) wrong.push_back("a request in version 250: " + to_text(state));
  if (!co_await bench.state()) wrong.emplace_back("a good request behind them has no answer");
  co_return all_right(3, wrong, "answers are right");
}

asio::awaitable<Finding> cut_anywhere(Bench& bench) {
  bench.wire.beat(false);
  const std::uint32_t id = bench.wire.fresh_id();
  for (const std::uint8_t byte : bench.wire.frame(SCP_BOARD_STATE, {}, bench.wire.take_sequence(), id)) {
    bench.wire.send_bytes(ByteSpan(&byte, 1));
    co_await bench.wire.sleep(1ms);
  }
  const Reply reply = co_await bench.wire.answer(id);
  co_return passed_if(reply.is(SCP_OK), "a request that came byte by byte: " + to_text(reply),
                      Measured{reply.ms, "ms", fmt::format("at most {}", kAnswer_ms)});
}

asio::awaitable<Finding> damage(Bench& bench) {
  const auto before = co_await bench.state();
  constexpr std::uint32_t kDamaged = 3;
  std::vector<std::uint32_t> ids;
  for (const std::size_t at :
       {std::size_t{8}, std::size_t{20}, std::size_t{SCP_HEADER_BYTES + 2}}) {  // sequence, header CRC, payload
    ids.push_back(bench.wire.fresh_id());
    Bytes frame = bench.wire.frame(SCP_ABORT, Payload().u64(1).done(), bench.wire.take_sequence(), ids.back());
    frame[at] ^= 0x10;
    bench.wire.send_bytes(frame);
  }
  const auto after = co_await bench.state();
  if (!before || !after) co_return passed_if(false, "no answer to a good request behind damaged ones");
  for (const std::uint32_t id : ids)
    if ((co_await bench.wire.answer(id, 5ms)).came) co_return passed_if(false, "a damaged request was answered");
  const std::uint32_t counted = after->frames_bad - before->frames_bad;
  co_return passed_if(
      counted >= kDamaged,
      fmt::format("{} damaged frames: no answer, {} counted, the next request answered", kDamaged, counted),
      Measured{static_cast<double>(counted), "frames", fmt::format("at least {}", kDamaged)});
}

// The length is believed only behind a good header CRC: here it is good, and the length still absurd.
asio::awaitable<Finding> absurd_length(Bench& bench) {
  double slowest = 0;
  for (const std::uint32_t length :
       {std::uint32_t{SCP_MAX_REQUEST + 1}, std::uint32_t{SCP_MAX_PAYLOAD + 1}, 0x80000000u, 0xFFFFFFFFu}) {
    Bytes header(SCP_HEADER_BYTES);
    const scp_header fields{bench.board.protocol,       SCP_CHANNEL_COMMAND,   SCP_BOARD_STATE,
                            bench.wire.take_sequence(), bench.wire.fresh_id(), length};
    scp_put_header(header.data(), &fields);
    bench.wire.send_bytes(header);
    const Reply reply = co_await bench.wire.ask(SCP_BOARD_STATE, {}, 1s);
    if (!reply.is(SCP_OK))
      co_return passed_if(false, fmt::format("behind a frame of {} bytes: {}", length, to_text(reply)));
    if ((co_await bench.wire.answer(fields.request_id, 5ms)).came)
      co_return passed_if(false, fmt::format("a frame of {} bytes was answered", length));
    slowest = std::max(slowest, reply.ms);
  }
  co_return passed_if(true, "not waited for: the next request is answered at once",
                      Measured{slowest, "ms", fmt::format("at most {}", kAnswer_ms)});
}

// A frame whose rest never comes, and a good one swallowed by it.
asio::awaitable<Finding> cut_frame(Bench& bench) {
  constexpr double kGivenUp_ms = 250;
  bench.wire.beat(false);  // each byte begins the wait anew
  const Bytes whole =
      bench.wire.frame(SCP_PROGRAM_LOAD, Bytes(300), bench.wire.take_sequence(), bench.wire.fresh_id());
  bench.wire.send_bytes(ByteSpan(whole).first(40));
  const Reply reply = co_await bench.wire.ask(SCP_BOARD_STATE, {}, 1s);
  co_return passed_if(reply.is(SCP_OK) && reply.ms <= kGivenUp_ms,
                      "a request behind a frame that was cut: " + to_text(reply),
                      Measured{reply.ms, "ms", fmt::format("at most {}", kGivenUp_ms)});
}

asio::awaitable<Finding> repeated_request(Bench& bench) {
  const std::uint32_t id = bench.wire.fresh_id();
  const Bytes frame = bench.wire.frame(SCP_BOARD_STATE, {}, bench.wire.take_sequence(), id);
  bench.wire.send_bytes(frame);
  bench.wire.send_bytes(frame);
  const auto behind = co_await bench.state();
  co_await bench.wire.sleep(20ms);
  const auto answers = std::count_if(bench.wire.received().begin(), bench.wire.received().end(),
                                     [&](const Received& f) { return f.header.request_id == id; });
  co_return passed_if(behind && answers == 1, fmt::format("a request sent twice was answered {} times", answers),
                      Measured{static_cast<double>(answers), "answers", "1"});
}

asio::awaitable<Finding> malformed_requests(Bench& bench) {
  std::vector<std::string> wrong;
  const Reply unknown = co_await bench.wire.ask(0x0777);
  if (!unknown.is(SCP_UNKNOWN_TYPE)) wrong.push_back("type 0777: " + to_text(unknown));
  const Reply cut = co_await bench.wire.ask(SCP_ABORT, Bytes(3));
  if (!cut.is(SCP_BAD_REQUEST)) wrong.push_back("ABORT of 3 bytes: " + to_text(cut));
  const Reply longer = co_await bench.wire.ask(SCP_HEARTBEAT, Bytes(5));
  if (!longer.is(SCP_BAD_REQUEST)) wrong.push_back("HEARTBEAT of 5 bytes: " + to_text(longer));
  bench.wire.send_bytes(bench.wire.frame(SCP_BOARD_STATE, {}, bench.wire.take_sequence(), 0));
  if (!co_await bench.state()) wrong.emplace_back("no answer behind a request without an id");
  for (const Received& frame : bench.wire.received())
    if (frame.header.type == (SCP_BOARD_STATE | SCP_ANSWER) && frame.header.request_id == 0)
      wrong.emplace_back("a request without an id was answered");
  co_return all_right(4, wrong, "answers are right");
}

asio::awaitable<Finding> abort_nonce(Bench& bench) {
  constexpr std::uint64_t kNonce = 0x0123456789ABCDEF;
  const Reply reply = co_await bench.wire.ask(SCP_ABORT, Payload().u64(kNonce).done());
  const auto next = co_await bench.state();
  const bool same = reply.is(SCP_OK) && reply.rest == Payload().u64(kNonce).done();
  std::vector<std::uint32_t> sequences;
  for (const Received& frame : bench.wire.received())
    if (frame.header.channel == SCP_CHANNEL_COMMAND &&
        (frame.header.type == (SCP_ABORT | SCP_ANSWER) || !sequences.empty()))
      sequences.push_back(frame.header.sequence);
  bool anew = next.has_value();
  for (std::size_t i = 0; i < sequences.size(); ++i) anew = anew && sequences[i] == i;
  co_return passed_if(same && anew,
                      !same  ? "ABORT: " + to_text(reply) + ", its nonce should come back"
                      : anew ? "the nonce came back, sequences began anew"
                             : "behind the nonce the sequences do not begin anew",
                      Measured{reply.ms, "ms", fmt::format("at most {}", kAnswer_ms)});
}

constexpr Duty kLinkDuties[] = {
    {"greeting", "HELLO is answered: version, UUID, capabilities", 0, greeting},
    {"other_versions", "versions the board does not speak are refused, and nothing else happens", 0,
     other_versions},
    {"cut_anywhere", "a frame is read in whatever pieces it comes", 0, cut_anywhere},
    {"damage", "damaged frames are counted, never answered, and cost nothing behind them", 0, damage},
    {"absurd_length", "a frame of absurd length is refused, not waited for", 0, absurd_length},
    {"cut_frame", "a frame whose rest does not come is given up after 100 ms", 0, cut_frame},
    {"repeated_request", "a request that comes twice acts once", 0, repeated_request},
    {"malformed_requests", "unknown types and wrong lengths are named", 0, malformed_requests},
    {"abort_nonce", "ABORT gives its nonce back and starts the sequences anew", 0, abort_nonce},
};

}  // namespace

std::span<const Duty> link_duties() {
  return kLinkDuties;
}

}  // namespace steadycell::conform
