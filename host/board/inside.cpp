#include "board/inside.h"

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <random>

namespace steadycell::board {
namespace {

using namespace std::chrono_literals;

// Fits the second cache level together with what is made of it.
constexpr std::size_t kReadBytes = 256 << 10;
constexpr std::uint64_t kMaxGarbage = 1 << 20;
constexpr auto kHeartbeat = 100ms;
constexpr auto kResync = 2s;
constexpr auto kResyncAfterStop = 300ms;  // a stop must answer within 500 ms, the board deaf or not
constexpr auto kAfterRung = 1s;
constexpr auto kAbortAgain = 1s;  // the abort itself may have been damaged; a link may lag by less than this

// Differs from what an earlier session used, so that its late answers are recognised; secrecy is no concern.
std::uint64_t random_number() {
  std::random_device device;
  return std::uint64_t{device()} << 32 | device();
}

}  // namespace

asio::awaitable<void> Waiters::wait(Clock::duration longest) {
  asio::steady_timer timer(co_await asio::this_coro::executor);
  timers_.push_back(&timer);
  co_await time_.wait(timer, time_.now() + longest);
  std::erase(timers_, &timer);
}

void Waiters::wake_all() {
  for (asio::steady_timer* timer : timers_) timer->cancel();
}

BoardClient::Inside::Inside(std::unique_ptr<link::Link> l, const asio::any_io_executor& e,
                            const std::atomic<bool>* s, TimeSource& t)
    : link(std::move(l)),
      executor(e),
      stop(s),
      time(t),
      changed(t),
      outgoing_wake(e),
      heartbeat_wake(e),
      next_id(static_cast<std::uint32_t>(random_number())) {}

void BoardClient::Inside::break_off(Error error) {
  if (!broken) broken = std::move(error);
  changed.wake_all();
}

void BoardClient::Inside::note(LinkNote::Kind kind, bool severe, std::string text) {
  if (notes) notes({kind, severe, std::move(text)});
}

// ---- The three coroutines in the background ----

void BoardClient::Inside::start() {
  const auto run_background = [this](asio::awaitable<void> coroutine) {
    ++coroutines;
    asio::co_spawn(executor, std::move(coroutine), [self = shared_from_this()](const std::exception_ptr& fault) {
      --self->coroutines;
      if (fault)
        self->break_off(Error(ErrorCode::internal, "a coroutine of the board client ended with an exception"));
      self->changed.wake_all();
    });
  };
  link->on_news([this](const link::LinkNews& news) { on_news(news); });
  run_background(read_loop());
  run_background(write_loop());
  run_background(heartbeat_loop());
}

asio::awaitable<void> BoardClient::Inside::read_loop() {
  Bytes buffer(kReadBytes);
  while (!closing && !broken) {
    const auto got = co_await link->read_view(buffer);
    if (!got) {
      if (!closing) break_off(got.error());
      break;
    }
    ByteSpan bytes = *got;
    while (const auto frame = reader.next(bytes)) {
      if (frame->header.type == SCP_PAGE_DATA && run != nullptr && !run->sink.has_room()) co_await wait_for_room();
      on_frame(*frame);
    }
    count_garbage();
  }
}

asio::awaitable<void> BoardClient::Inside::wait_for_room() {
  asio::steady_timer timer(executor);
  paused = true;
  while (run != nullptr && !closing && !broken && !run->sink.has_room()) {
    co_await time.wait(timer, time.now() + 1ms);
    if (run != nullptr) run->last_heard = time.now();  // it is us who keep the board waiting
  }
  paused = false;
}

asio::awaitable<void> BoardClient::Inside::write_loop() {
  Bytes writing;
  while (!closing && !broken) {
    if (outgoing.empty()) {
      co_await time.wait(outgoing_wake, time.now() + 1h);
      continue;
    }
    writing.clear();
    writing.swap(outgoing);
    const auto written = co_await link->write(writing);
    if (!written && !closing) break_off(written.error());
    changed.wake_all();
  }
}

asio::awaitable<void> BoardClient::Inside::heartbeat_loop() {
  while (!closing && !broken) {
    // A board that takes nothing needs no queue of them.
    if (greeted && outgoing.empty()) heartbeat_id = send(SCP_HEARTBEAT, {});
    // Beside the stream as well: a write that waits for a full pipe must not make the board believe that the host is gone.
    link->heartbeat_beside();
    co_await time.wait(heartbeat_wake, time.now() + kHeartbeat);
  }
}

void BoardClient::Inside::on_news(const link::LinkNews& news) {
  using Kind = link::LinkNews::Kind;
  switch (news.kind) {
    case Kind::meter:
      meter = news.meter;
      return changed.wake_all();
    case Kind::recovery:
      ++stats.recoveries;
      return note(LinkNote::Kind::recovery, false, news.text);
    case Kind::side_found:
      if (!news.text.empty()) note(LinkNote::Kind::side_found, false, news.text);
      return;
    case Kind::side_lost:
      meter.reset();
      return note(LinkNote::Kind::side_lost, false, news.text);
  }
}

asio::awaitable<bool> BoardClient::Inside::cut_beside() {
  constexpr auto kHeard = 300ms;    // the board answers at once, and a stop must not wait for one that does not
  constexpr auto kBled = 2500ms;    // the board itself bleeds for at most 2 s
  constexpr unsigned kSafe = 100;   // mV
  const std::uint32_t token = link->cut_rails_beside();
  if (token == 0) co_return false;
  const auto began = time.now();
  const auto heard = [&] { return meter && meter->rails_off_token == token; };
  const auto off = [&] {
    return heard() && (meter->flags & (SCU_SOCKET_ON | SCU_PORT_ON)) == 0 && meter->socket_mv < kSafe && meter->port_mv < kSafe;
  };
  while (!off() && time.now() - began < (heard() ? kBled : kHeard)) co_await changed.wait(kSlice);
  co_return off();
}

// ---- Frames from the board ----

void BoardClient::Inside::count_garbage() {
  if (reader.bad_frames() != stats.bad_frames) {
    note(LinkNote::Kind::bad_frame, false,
         fmt::format("{} damaged frames", reader.bad_frames() - stats.bad_frames));
    stats.bad_frames = reader.bad_frames();
  }
  if (const std::uint64_t garbage = reader.skipped_bytes() - skipped_before_good; garbage > kMaxGarbage && !broken)
    break_off(Error(ErrorCode::board_garbage,
                    fmt::format("{} sent {} bytes on end that are no frames; the board is marked faulty",
                                link->describe(), garbage)));
}

void BoardClient::Inside::restart_sequences() {
  command_sequence.restart();
  supply_sequence.restart();
  page_sequence = 0;
}

void BoardClient::Inside::on_frame(const protocol::Frame& frame) {
  const scp_header& header = frame.header;
  skipped_before_good = reader.skipped_bytes();
  if (draining) {
    // Only the answer of that very abort ends the drain; whatever else is queued belongs to the past.
    if (header.type != (SCP_ABORT | SCP_ANSWER) || header.request_id != *draining) return;
    restart_sequences();
    draining.reset();
  }
  switch (header.channel) {
    case SCP_CHANNEL_COMMAND:
      return on_command(header, frame.payload);
    case SCP_CHANNEL_PAGE:
      return on_page_channel(header, frame.payload);
    default:
      return on_samples(header, frame.payload);
  }
}

void BoardClient::Inside::on_command(const scp_header& header, ByteSpan payload) {
  if (header.type == (SCP_HELLO | SCP_ANSWER) && waiting.contains(header.request_id)) restart_sequences();
  if (header.type != SCP_EVENT && header.type != (SCP_HEARTBEAT | SCP_ANSWER) &&
      !waiting.contains(header.request_id)) {
    // From another time: its sequence number says nothing about this one.
    ++stats.late_answers;
    note(LinkNote::Kind::late_answer, false, fmt::format("an answer 0x{:04x} that nobody waits for", header.type));
    return;
  }
  const protocol::Arrival arrival = command_sequence.take(header.sequence);
  if (arrival.kind == protocol::Arrival::Kind::ahead) {
    ++stats.gaps;
    note(LinkNote::Kind::gap, false, fmt::format("{} frames of the command channel are missing", arrival.lost));
  }
  if (header.type != SCP_EVENT) return on_answer(header, payload, arrival);
  if (arrival.kind == protocol::Arrival::Kind::repeated) {
    ++stats.duplicates;
    note(LinkNote::Kind::duplicate, false, "an event came twice");
    return;
  }
  const auto event = protocol::decode_event(payload);
  if (!event) return note(LinkNote::Kind::wrong_address, true, event.error().what());
  if (event->kind == SCP_EVENT_HEARTBEAT_CUT && event->detail < 2) rail_loss[event->detail] = *event;
  if (event->kind == SCP_EVENT_LID_OPENED || event->kind == SCP_EVENT_SOCKET_TRIP)
    rail_loss[SCP_RAIL_SOCKET] = *event;
  if (event->kind == SCP_EVENT_PORT_TRIP) rail_loss[SCP_RAIL_PORT] = *event;
  if (events) events(*event);
}

void BoardClient::Inside::on_answer(const scp_header& header, ByteSpan payload, protocol::Arrival arrival) {
  const bool is_heartbeat = header.type == (SCP_HEARTBEAT | SCP_ANSWER);
  const auto entry = waiting.find(header.request_id);
  const bool is_awaited = entry != waiting.end() && !entry->second;
  if (arrival.kind == protocol::Arrival::Kind::repeated) {
    if (is_awaited || (is_heartbeat && header.request_id == heartbeat_id)) {
      restart_suspected = true;  // a first answer with a number that was used: it counts anew
      changed.wake_all();
      return;
    }
    ++stats.duplicates;
    note(LinkNote::Kind::duplicate, false, fmt::format("an answer 0x{:04x} came twice", header.type));
    return;
  }
  if (is_heartbeat) {
    if (header.request_id == heartbeat_id) heartbeat_id = 0;
    return;
  }
  auto answer = protocol::decode_answer(payload);
  if (!answer) return note(LinkNote::Kind::wrong_address, true, answer.error().what());
  if (!is_awaited) return;  // answered already
  entry->second = std::move(*answer);
  changed.wake_all();
}

void BoardClient::Inside::on_samples(const scp_header& header, ByteSpan payload) {
  const protocol::Arrival arrival = supply_sequence.take(header.sequence);
  if (arrival.kind == protocol::Arrival::Kind::repeated || arrival.kind == protocol::Arrival::Kind::late) {
    ++stats.duplicates;  // time runs one way: what was overtaken is a gap already
    note(LinkNote::Kind::duplicate, false, "samples came twice or late");
    return;
  }
  if (arrival.lost > 0) {
    ++stats.gaps;
    note(LinkNote::Kind::gap, false, fmt::format("{} frames of samples are missing", arrival.lost));
  }
  if (!samples) return;
  auto frame = protocol::decode_samples(payload, sample_scratch);
  if (!frame) return note(LinkNote::Kind::wrong_address, true, frame.error().what());
  frame->frames_lost_before = arrival.lost > 0;
  samples(*frame);
}

// ---- Requests ----

std::uint32_t BoardClient::Inside::send(std::uint16_t type, ByteSpan payload) {
  if (next_id == 0) next_id = 1;  // 0 means unasked
  const std::uint32_t id = next_id++;
  protocol::append_request(type, out_sequence++, id, payload, outgoing, info.protocol);
  outgoing_wake.cancel();
  return id;
}

std::uint32_t BoardClient::Inside::request(std::uint16_t type, ByteSpan payload) {
  const std::uint32_t id = send(type, payload);
  waiting.emplace(id, std::nullopt);
  return id;
}

std::optional<Answer> BoardClient::Inside::take_answer(std::uint32_t id) {
  const auto entry = waiting.find(id);
  std::optional<Answer> answer = std::move(entry->second);
  waiting.erase(entry);
  return answer;
}

asio::awaitable<std::optional<Answer>> BoardClient::Inside::await_answer(std::uint32_t id, Clock::time_point until,
                                                                         bool stoppable) {
  const std::uint64_t mine = session;
  while (!broken && !waiting.at(id) && time.now() < until && !restart_suspected && session == mine &&
         !(stoppable && stopped())) {
    const auto from = time.now();
    co_await changed.wait(std::min<Clock::duration>(until - from, kSlice));
    if (paused) until += time.now() - from;  // it is us who do not listen
  }
  co_return take_answer(id);
}

asio::awaitable<Result<void>> BoardClient::Inside::prepare(bool stoppable) {
  if (broken) co_return failure(*broken);
  if (stoppable && stopped()) co_return failure(ErrorCode::interrupted, "stopped on request");
  if (restart_suspected) {
    Error error = co_await greet_again();
    if (stoppable || broken) co_return failure(std::move(error));  // switching off goes on in the new session
  }
  co_return Result<void>();
}

asio::awaitable<Result<Answer>> BoardClient::Inside::exchange(std::uint16_t type, Bytes payload,
                                                              Clock::duration deadline, bool stoppable) {
  const auto ready = co_await prepare(stoppable);
  if (!ready) co_return failure(ready.error());
  const std::uint64_t mine = session;
  const std::uint32_t id = request(type, payload);
  auto answer = co_await await_answer(id, time.now() + deadline, stoppable);
  if (answer) co_return std::move(*answer);
  if (broken) co_return failure(*broken);
  if (session != mine) co_return failure(ErrorCode::link_lost, "the board restarted by itself: its rails are off");
  if (restart_suspected) {
    Error error = co_await greet_again();
    co_return failure(std::move(error));
  }
  const auto in_step = co_await resync(stoppable);
  if (stoppable && stopped()) co_return failure(ErrorCode::interrupted, "stopped on request");
  if (!in_step) co_return failure(in_step.error());
  co_return failure(ErrorCode::board_timeout, "{} did not answer request 0x{:04x} within {} ms", link->describe(),
                    type, std::chrono::duration_cast<std::chrono::milliseconds>(deadline).count());
}

asio::awaitable<Result<Bytes>> BoardClient::Inside::ask(std::uint16_t type, Bytes payload,
                                                        Clock::duration deadline, bool stoppable) {
  auto answer = co_await exchange(type, std::move(payload), deadline, stoppable);
  if (!answer) co_return failure(std::move(answer.error()));
  if (answer->status != SCP_OK) co_return failure(error_of(answer->status, answer->detail));
  co_return std::move(answer->rest);
}

// ---- In step again ----

asio::awaitable<bool> BoardClient::Inside::climb(link::Rung rung) {
  if (!link->recover(rung, "the board does not answer an abort")) co_return false;
  while (link->recovering() && !broken && !stopped()) co_await changed.wait(kSlice);
  co_return !broken && !stopped();
}

asio::awaitable<Result<void>> BoardClient::Inside::resync(bool stoppable) {
  if (broken) co_return failure(*broken);
  ++stats.resyncs;
  note(LinkNote::Kind::resync, false, "aborting, to get in step with the board again");
  auto until = time.now() + kResync;
  bool hurried = false;
  const std::uint64_t mine = session;
  const auto in_time = [&] {
    if (stoppable && stopped() && !hurried) {
      hurried = true;
      until = std::min<Clock::time_point>(until, time.now() + kResyncAfterStop);
    }
    return time.now() < until;
  };
  std::size_t rungs = 0;
  while (!broken) {
    if (!in_time()) {
      // Switching off does not wait for it: the side channel, or the board's own watch on a silent host, is quicker.
      if (!stoppable || stopped() || rungs == link::kLadder.size()) break;
      const bool alive = co_await climb(link::kLadder.at(rungs));
      if (!alive) break;
      ++rungs;
      until = time.now() + kAfterRung;
    }
    // A frame that was cut swallows what comes behind it; a held frame lies in the reader's memory, though.
    if (!paused) {
      reader.give_up();
      ByteSpan nothing;
      while (const auto frame = reader.next(nothing)) on_frame(*frame);
    }
    const protocol::Abort abort{random_number()};
    const Bytes nonce = protocol::encode(abort);
    const std::uint32_t id = request(protocol::Abort::type, nonce);
    draining = id;
    const auto again = std::min<Clock::time_point>(until, time.now() + kAbortAgain);
    while (!broken && !waiting.at(id) && session == mine && in_time() && time.now() < again) {
      const Clock::duration left = again - time.now();
      co_await changed.wait(std::min<Clock::duration>(left, kSlice));
    }
    const auto answer = take_answer(id);
    if (session != mine)
      co_return failure(ErrorCode::link_lost, "the board restarted by itself: its rails are off");
    if (answer && answer->rest == nonce) {
      samples = nullptr;  // its stream has ended
      co_return Result<void>();
    }
  }
  draining.reset();
  break_off(Error(ErrorCode::board_timeout,
                  fmt::format("{} does not answer an abort{}; the board is marked faulty", link->describe(),
                              rungs > 0 ? fmt::format(", nor after {} ways to bring its link back", rungs) : "")));
  co_return failure(*broken);
}

asio::awaitable<Result<void>> BoardClient::Inside::hello() {
  constexpr int kTries = 3;  // it may meet a cut frame of an earlier session
  constexpr auto kDeadline = 1s;
  std::optional<Answer> answer;
  for (int i = 0; i < kTries && !answer && !broken && !stopped(); ++i) {
    out_sequence = 0;
    const std::uint32_t id = request(protocol::Hello::type, protocol::encode(protocol::Hello{}));
    answer = co_await await_answer(id, time.now() + kDeadline, true);
  }
  if (!answer && broken) co_return failure(*broken);
  if (!answer && stopped()) co_return failure(ErrorCode::interrupted, "stopped on request");
  if (!answer && reader.skipped_bytes() > 0)
    co_return failure(ErrorCode::board_garbage, "{} sends {} bytes that are no frames, and no greeting",
                      link->describe(), reader.skipped_bytes());
  if (!answer) co_return failure(ErrorCode::board_timeout, "{} does not answer the greeting", link->describe());
  if (answer->status != SCP_OK) co_return failure(error_of(answer->status, answer->detail));
  auto decoded = protocol::decode_hello(answer->rest);
  if (!decoded) co_return failure(std::move(decoded.error()));
  if (decoded->protocol < SCP_VERSION_OLDEST || decoded->protocol > SCP_VERSION)
    co_return failure(ErrorCode::protocol_version, "the board chose protocol {}, this program speaks {} to {}", int{decoded->protocol},
                      int{SCP_VERSION_OLDEST}, int{SCP_VERSION});
  info = std::move(*decoded);
  reader.limit_payload(info.max_payload);
  loaded_program.clear();
  greeted = true;
  co_return Result<void>();
}

asio::awaitable<Error> BoardClient::Inside::greet_again() {
  const std::uint32_t boots_before = info.boot_counter;
  restart_suspected = false;
  ++session;
  changed.wake_all();
  samples = nullptr;
  const auto greeted_again = co_await hello();
  if (!greeted_again) {
    break_off(Error(greeted_again.error()).during("greeting the board again"));
    co_return *broken;
  }
  if (info.boot_counter == boots_before)
    co_return Error(ErrorCode::frame_corrupt, "the board's frame numbers went back although it did not restart");
  ++stats.restarts;
  Error error(ErrorCode::link_lost,
              fmt::format("the board restarted by itself (start {}, before {}): its rails are off",
                          info.boot_counter, boots_before));
  note(LinkNote::Kind::restart, true, error.what());
  co_return std::move(error).advising(
      "check the board's supply, then repeat the command: it goes on where it stopped");
}

}  // namespace steadycell::board
