#include "board/inside.h"

#include <openssl/rand.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <cassert>

namespace steadycell::board {
namespace {

using namespace std::chrono_literals;
using boost::system::error_code;

constexpr std::size_t kReadBytes = 1 << 20;
constexpr std::uint64_t kMaxGarbage = 1 << 20;
constexpr auto kResyncDeadline = 2s;
constexpr auto kStopDeadline = 300ms;   // a stop must answer within 500 ms, the board deaf or not
constexpr auto kHeartbeat = 100ms;
constexpr auto kSlice = 50ms;           // how often a wait looks at the stop flag

std::uint64_t random_nonce() {
  std::uint64_t nonce = 0;
  if (RAND_bytes(reinterpret_cast<unsigned char*>(&nonce), sizeof nonce) != 1) std::terminate();
  return nonce;
}

}  // namespace

Error error_of(const Answer& answer) {
  const auto refused = [&](std::string what) { return Error(ErrorCode::board_refused, std::move(what)); };
  switch (answer.status) {
    case SCP_BAD_REQUEST:
      return refused(fmt::format("the board found the request malformed at byte {}", answer.detail));
    case SCP_UNKNOWN_TYPE:
      return refused("the board does not know the request");
    case SCP_REFUSED_SEQUENCE:
      return refused(fmt::format("the board's command filter refused operation {} of the bus program", answer.detail));
    case SCP_REFUSED_RAIL:
      return refused("the board refused it in this state of the rails");
    case SCP_BUSY:
      return refused("the board is busy with something else");
    case SCP_LID_OPEN:
      return Error(ErrorCode::lid_open, "the socket lid is open");
    case SCP_RAIL_FAILED:
      return Error(ErrorCode::rail_failed, fmt::format("the rail stands at {} mV", answer.detail));
    case SCP_CURRENT_LIMIT:
      return Error(ErrorCode::current_limit, fmt::format("the supply reached its limit at {} mA and was cut", answer.detail));
    case SCP_BLEED_FAILED:
      return Error(ErrorCode::bleed_failed, fmt::format("the rail still stands at {} mV", answer.detail));
    case SCP_WP_HIGH:
      return Error(ErrorCode::write_protect, "WP# is high");
    case SCP_VERSION_MISMATCH:
      return Error(ErrorCode::protocol_version, fmt::format("the board speaks protocol {} to {}, this program {} to {}", answer.detail >> 8,
                                                            answer.detail & 0xFF, int{SCP_VERSION_OLDEST}, int{SCP_VERSION}));
    case SCP_NO_SUCH_PROGRAM:
      return refused("the board has no such bus program");
    case SCP_ABORTED:
      return refused("the board gave it up on an abort");
    case SCP_RAIL_LOST:
      return Error(ErrorCode::rail_failed, "the rail went off while the board worked: limit, lid or heartbeat");
    default:
      return refused(fmt::format("the board answered with status {}", answer.status));
  }
}

BoardClient::Inside::Inside(std::unique_ptr<link::Link> l, asio::any_io_executor e, const std::atomic<bool>* s)
    : link(std::move(l)), executor(e), stop(s), outgoing_wake(e), changed(e), heartbeat_wake(e), parser_buffer(SCP_MAX_FRAME) {
  scp_parser_init(&parser, parser_buffer.data(), parser_buffer.size());
}

void BoardClient::Inside::break_off(Error error) {
  if (!broken) broken = std::move(error);
  wake();
}

std::uint32_t BoardClient::Inside::send(std::uint16_t type, ByteSpan payload) {
  const std::uint32_t id = next_id++;
  if (next_id == 0) next_id = 1;  // 0 means unasked
  Bytes frame(SCP_HEADER_BYTES + payload.size() + SCP_TRAILER_BYTES);
  const scp_header header{SCP_VERSION, SCP_CHANNEL_COMMAND, type, out_sequence++, id, static_cast<std::uint32_t>(payload.size())};
  scp_put_header(frame.data(), &header);
  std::copy(payload.begin(), payload.end(), frame.begin() + SCP_HEADER_BYTES);
  scp_put_trailer(frame.data() + SCP_HEADER_BYTES + payload.size(), frame.data() + SCP_HEADER_BYTES, payload.size());
  outgoing.push_back(std::move(frame));
  outgoing_wake.cancel();
  return id;
}

void BoardClient::Inside::start() {
  const auto run_background = [this](asio::awaitable<void> coroutine) {
    ++coroutines;
    asio::co_spawn(executor, std::move(coroutine), [self = shared_from_this()](const std::exception_ptr& fault) {
      --self->coroutines;
      if (fault) self->break_off(Error(ErrorCode::internal, "a board coroutine ended with an exception"));
      self->wake();
    });
  };
  run_background(read_loop());
  run_background(write_loop());
  run_background(heartbeat_loop());
}

asio::awaitable<void> BoardClient::Inside::wait_for_change(Clock::duration longest) {
  error_code ignored;
  changed.expires_after(longest);
  co_await changed.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
}

asio::awaitable<void> BoardClient::Inside::read_loop() {
  Bytes buffer(kReadBytes);
  asio::steady_timer pause(executor);
  while (!closing && !broken) {
    if (run != nullptr && !run->sink->has_room()) {
      error_code ignored;
      pause.expires_after(1ms);
      co_await pause.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
      run->last_frame = Clock::now();  // it is us who keep the board waiting
      continue;
    }
    const auto got = co_await link->read_some(buffer);
    if (!got) {
      if (!closing) break_off(got.error());
      break;
    }
    on_bytes(ByteSpan(buffer).first(*got));
  }
}

asio::awaitable<void> BoardClient::Inside::write_loop() {
  while (!closing && !broken) {
    if (outgoing.empty()) {
      error_code ignored;
      outgoing_wake.expires_after(1h);
      co_await outgoing_wake.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
      continue;
    }
    const Bytes frame = std::move(outgoing.front());
    outgoing.pop_front();
    const auto written = co_await link->write(frame);
    if (!written && !closing) break_off(written.error());
  }
}

asio::awaitable<void> BoardClient::Inside::heartbeat_loop() {
  constexpr std::size_t kBacklog = 16;  // a board that takes nothing needs no more of them
  while (!closing && !broken) {
    if (outgoing.size() < kBacklog) (void)send(SCP_HEARTBEAT, {});
    error_code ignored;
    heartbeat_wake.expires_after(kHeartbeat);
    co_await heartbeat_wake.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
  }
}

void BoardClient::Inside::on_bytes(ByteSpan bytes) {
  if (draining) drained_bytes += bytes.size();
  bool found = false;
  do {
    scp_header header{};
    const std::uint8_t* payload = nullptr;
    const std::size_t took = scp_parser_feed(&parser, bytes.data(), bytes.size(), &found, &header, &payload);
    bytes = bytes.subspan(took);
    if (found) on_frame(header, ByteSpan(payload, header.length));
  } while (found);
  stats.bad_frames = parser.bad_frames;
  if (parser.skipped_bytes > kMaxGarbage && info.uuid.empty())
    break_off(Error(ErrorCode::board_garbage, fmt::format("{} sent {} bytes that are no frames", link->describe(), parser.skipped_bytes)));
}

void BoardClient::Inside::on_frame(const scp_header& header, ByteSpan payload) {
  if (draining) {
    // Only the answer of that very abort ends the drain; whatever else is queued belongs to the past.
    if (header.channel != SCP_CHANNEL_COMMAND || header.type != (SCP_ABORT | SCP_ANSWER) || header.request_id != *draining) return;
    for (std::uint32_t& expected : expected_sequence) expected = 0;
  }
  check_sequence(header);
  switch (header.channel) {
    case SCP_CHANNEL_COMMAND:
      return on_command(header, payload);
    case SCP_CHANNEL_PAGE:
      return on_page(header, payload);
    default:
      return on_samples(payload);
  }
}

void BoardClient::Inside::check_sequence(const scp_header& header) {
  if (header.type == (SCP_HELLO | SCP_ANSWER))  // starts all sequences anew
    for (std::uint32_t& expected : expected_sequence) expected = 0;
  std::uint32_t& expected = expected_sequence[header.channel];
  const auto ahead = static_cast<std::int32_t>(header.sequence - expected);
  if (ahead == 0) {
    ++expected;
  } else if (ahead > 0) {
    ++stats.gaps;
    expected = header.sequence + 1;
  } else {
    ++stats.duplicates;  // or late: what it carries is judged by its address
  }
}

void BoardClient::Inside::on_command(const scp_header& header, ByteSpan payload) {
  if (header.type == SCP_EVENT) {
    if (payload.size() == 12 && events)
      events({static_cast<scp_event>(load_u16(payload)), load_u16(payload.subspan(2)), load_u64(payload.subspan(4))});
    return;
  }
  if (header.type == (SCP_HEARTBEAT | SCP_ANSWER)) return;
  const auto entry = waiting.find(header.request_id);
  if (entry == waiting.end() || entry->second || payload.size() < 4) {
    ++stats.late_answers;
    return;
  }
  entry->second = Answer{load_u16(payload), load_u16(payload.subspan(2)), Bytes(payload.begin() + 4, payload.end())};
  wake();
}

void BoardClient::Inside::on_page(const scp_header& header, ByteSpan payload) {
  if (run == nullptr || header.request_id != run->request_id || run->ended) {
    ++stats.late_answers;
    return;
  }
  run->last_frame = Clock::now();
  if (header.type == SCP_RUN_END) {
    if (payload.size() != 12) return;
    run->ended = true;
    run->end_status = load_u16(payload);
    wake();
    return;
  }
  constexpr std::size_t kPrefix = 20;
  const std::uint32_t output = run->request->program->output_bytes();
  if (header.type != SCP_PAGE_DATA || payload.size() != kPrefix + output || load_u32(payload.subspan(16)) != output) return;

  // A frame with a good CRC still has to be the page that was asked for.
  const std::uint32_t row = load_u32(payload.subspan(8));
  const RunRequest& request = *run->request;
  std::uint64_t index = run->next;
  const std::uint64_t end = run->from + run->count;
  const bool addressed = payload[0] == request.target && load_u32(payload.subspan(4)) == request.pass.value;
  if (index >= end || request.rows.at(index) != row) {
    // Behind a gap, or a late one: look for its place, near first.
    const auto place = [&]() -> std::optional<std::uint64_t> {
      for (const std::uint64_t candidate : run->missing)
        if (request.rows.at(candidate) == row) return candidate;
      constexpr std::uint64_t kLookAhead = 4096;
      for (std::uint64_t candidate = run->next; candidate < std::min(end, run->next + kLookAhead); ++candidate)
        if (request.rows.at(candidate) == row) return candidate;
      return std::nullopt;
    }();
    if (!place) {
      ++stats.wrong_addresses;
      return;
    }
    index = *place;
  }
  if (!addressed) {
    ++stats.wrong_addresses;
    return;
  }
  if (index >= run->next) {
    for (std::uint64_t skipped = run->next; skipped < index; ++skipped) run->missing.insert(skipped);
    run->next = index + 1;
  } else if (run->missing.erase(index) == 0) {
    return;  // came already
  }
  PageFrame page;
  page.index = index;
  page.outcome = (payload[1] & SCP_PAGE_READY_TIMEOUT) != 0 ? PageOutcome::ready_timeout : PageOutcome::read;
  page.busy_seen = (payload[1] & SCP_PAGE_BUSY_NOT_SEEN) == 0;
  page.wp_high = payload[2] != 0;
  page.busy = Nanoseconds(load_u32(payload.subspan(12)));
  page.bytes = payload.subspan(kPrefix);
  ++run->delivered;
  if (!run->refused_by_sink && !run->sink->on_page(page)) {
    run->refused_by_sink = true;
    wake();
  }
}

void BoardClient::Inside::on_samples(ByteSpan payload) {
  constexpr std::size_t kPrefix = 20, kSample = 14;
  if (!samples || payload.size() < kPrefix) return;
  const std::size_t count = load_u16(payload.subspan(2));
  if (payload.size() != kPrefix + count * kSample) return;
  sample_scratch.resize(count);
  for (std::size_t i = 0; i < count; ++i) {
    const ByteSpan at = payload.subspan(kPrefix + i * kSample, kSample);
    sample_scratch[i] = {static_cast<std::int32_t>(load_u32(at)), static_cast<std::int16_t>(load_u16(at.subspan(4))),
                         static_cast<std::int16_t>(load_u16(at.subspan(6))), static_cast<std::int16_t>(load_u16(at.subspan(8))),
                         (load_u16(at.subspan(10)) & 1u) != 0};
  }
  SampleFrame frame;
  frame.rail = static_cast<scp_rail>(payload[0]);
  frame.burst = payload[1] == 1;
  frame.first_ns = load_u64(payload.subspan(4));
  frame.interval_ns = load_u32(payload.subspan(12));
  frame.dropped_before = load_u32(payload.subspan(16));
  frame.samples = sample_scratch;
  samples(frame);
}

asio::awaitable<Result<Answer>> BoardClient::Inside::exchange(std::uint16_t type, Bytes payload, Clock::duration deadline, bool stoppable) {
  if (broken) co_return failure(*broken);
  if (stoppable && stopped()) co_return failure(ErrorCode::interrupted, "stopped on request");
  const std::uint32_t id = send(type, payload);
  waiting.emplace(id, std::nullopt);
  const auto until = Clock::now() + deadline;
  while (!broken && !waiting.at(id) && Clock::now() < until && !(stoppable && stopped())) {
    const Clock::duration left = until - Clock::now();
    co_await wait_for_change(std::min<Clock::duration>(left, kSlice));
  }
  const std::optional<Answer> answer = std::move(waiting.at(id));
  waiting.erase(id);
  if (answer) co_return *answer;
  if (broken) co_return failure(*broken);
  const bool was_stopped = stoppable && stopped();
  const auto in_step = co_await resync();
  if (was_stopped) co_return failure(ErrorCode::interrupted, "stopped on request");
  if (!in_step) co_return failure(in_step.error());
  co_return failure(ErrorCode::board_timeout, "{} did not answer request 0x{:04x} within {} ms", link->describe(), type,
                    std::chrono::duration_cast<std::chrono::milliseconds>(deadline).count());
}

asio::awaitable<Result<Bytes>> BoardClient::Inside::ask(std::uint16_t type, Bytes payload, Clock::duration deadline, bool stoppable) {
  auto answer = co_await exchange(type, std::move(payload), deadline, stoppable);
  if (!answer) co_return failure(answer.error());
  if (answer->status != SCP_OK) co_return failure(error_of(*answer));
  co_return std::move(answer->rest);
}

asio::awaitable<Result<void>> BoardClient::Inside::resync() {
  if (broken) co_return failure(*broken);
  ++stats.resyncs;
  const auto until = Clock::now() + (stopped() ? Clock::duration(kStopDeadline) : Clock::duration(kResyncDeadline));
  (void)scp_parser_give_up(&parser);
  Bytes nonce(8);
  store_u64(nonce, random_nonce());
  const std::uint32_t id = send(SCP_ABORT, nonce);
  waiting.emplace(id, std::nullopt);
  draining = id;
  drained_bytes = 0;
  // Much may be queued in the pipe, all of it good; garbage is what belongs to no frame.
  const std::uint64_t garbage_before = parser.skipped_bytes;
  while (!broken && !waiting.at(id) && Clock::now() < until && parser.skipped_bytes - garbage_before <= kMaxGarbage) {
    const Clock::duration left = until - Clock::now();
    co_await wait_for_change(std::min<Clock::duration>(left, kSlice));
  }
  const std::optional<Answer> answer = std::move(waiting.at(id));
  waiting.erase(id);
  draining.reset();
  if (broken) co_return failure(*broken);
  if (answer && answer->rest == nonce) co_return Result<void>();
  const std::uint64_t garbage = parser.skipped_bytes - garbage_before;
  Error lost = garbage > kMaxGarbage
                   ? Error(ErrorCode::board_garbage, fmt::format("{} answers an abort with garbage; the board is marked faulty", link->describe()))
                   : Error(ErrorCode::board_timeout, fmt::format("{} does not answer an abort; the board is marked faulty", link->describe()));
  break_off(lost);
  co_return failure(std::move(lost));
}

asio::awaitable<Result<void>> BoardClient::Inside::hello() {
  constexpr auto kHelloDeadline = 3s;
  Bytes versions{SCP_VERSION_OLDEST, SCP_VERSION, 0, 0};
  const auto answer = co_await ask(SCP_HELLO, std::move(versions), kHelloDeadline);
  if (!answer) co_return failure(Error(answer.error()).during("greeting the board"));
  if (answer->size() != SCP_HELLO_BYTES) co_return failure(ErrorCode::board_garbage, "the board's greeting has {} bytes, expected {}", answer->size(), int{SCP_HELLO_BYTES});
  scp_hello hello{};
  scp_get_hello(answer->data(), &hello);
  const std::string id = hex(ByteSpan(hello.uuid, 16));
  info.uuid = fmt::format("{}-{}-{}-{}-{}", id.substr(0, 8), id.substr(8, 4), id.substr(12, 4), id.substr(16, 4), id.substr(20));
  info.name = std::string(hello.name, strnlen(hello.name, sizeof hello.name));
  info.boot_counter = hello.boot_counter;
  info.firmware = fmt::format("{}.{}.{}", hello.firmware >> 16, hello.firmware >> 8 & 0xFF, hello.firmware & 0xFF);
  info.max_payload = std::min<std::uint32_t>(hello.max_payload, SCP_MAX_PAYLOAD);
  info.targets = hello.targets;
  info.can_socket = (hello.capabilities & SCP_CAN_SOCKET) != 0;
  info.can_port = (hello.capabilities & SCP_CAN_PORT) != 0;
  info.can_contact = (hello.capabilities & SCP_CAN_CONTACT) != 0;
  info.can_x16 = (hello.capabilities & SCP_CAN_X16) != 0;
  info.averaged_interval = Nanoseconds(hello.averaged_interval_ns);
  info.burst_interval = Nanoseconds(hello.burst_interval_ns);
  co_return Result<void>();
}

}  // namespace steadycell::board
