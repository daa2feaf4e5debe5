// How fast bulk bytes come through link/usb into nothing, beside the least loop of libusb that there can be: the same simulated board,
// the same kernel, the same run. On a guest's one processor board, kernel and host share the time, so the ratio is one of the whole
// work. Started by tests/vm/run in its guest, as root.
// Half a second of the one, half a second of the other, on the same stream, fifteen times or more. Two figures come of it: the median of
// the pairs' ratios, which a machine that is slower for a while moves little, and the ratio of the fastest halves, since other work only
// ever slows one. The test fails where both say that the link is too slow. With STEADYCELL_LONG in the environment also 1 GiB through the
// link, its memory looked at.
#include <sys/prctl.h>
#include <sys/resource.h>

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <cstdio>
#include <cstdlib>
#include <deque>
#include <fstream>
#include <memory>
#include <optional>
#include <vector>

#include "link/usb.h"
#include "link/usb_events.h"
#include "link/usb_pipe.h"
#include "vm/page_run.h"
#include "vm/plugged_board.h"

namespace steadycell::vm {
namespace {

namespace asio = boost::asio;
using Clock = std::chrono::steady_clock;
constexpr std::uint64_t kMiB = std::uint64_t{1} << 20;
constexpr std::uint64_t kRamp = 2 * kMiB;      // comes before anything is measured
constexpr std::uint64_t kSettled = 64 * kMiB;  // every buffer was used by then
constexpr double kAsked = 0.85;                // of the loop's throughput
constexpr int kPairs = 15, kMostPairs = 45;    // more than the first where these say too slow: a busy machine says so, too
constexpr double kSlice_s = 0.5;
constexpr auto kBeat = 100ms;
constexpr auto kPatience = 2s;          // without a page
constexpr std::size_t kChatter = 1024;  // a board that has fallen silent still answers heartbeats

double cpu_seconds() {
  rusage used{};
  ::getrusage(RUSAGE_SELF, &used);
  const auto of = [](const timeval& t) { return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_usec) / 1e6; };
  return of(used.ru_utime) + of(used.ru_stime);
}

// Heap and stacks; pages of the program's files come with their first use.
std::uint64_t anonymous_kib() {
  std::ifstream status("/proc/self/status");
  for (std::string word; status >> word;)
    if (word == "RssAnon:") {
      std::uint64_t kib = 0;
      status >> kib;
      return kib;
    }
  return 0;
}

// Counts what comes: first the ramp, then so much as is to be measured.
class Sink {
 public:
  explicit Sink(std::uint64_t wanted) : wanted_(wanted) {}
  void take(std::size_t n) {
    const auto now = Clock::now();
    if (n > kChatter) last_ = now;
    seen_ += n;
    pieces += measuring_ ? 1 : 0;
    if (!measuring_ && seen_ >= kRamp) {
      measuring_ = true;
      base_ = seen_;
      began_ = now;
      cpu_ = cpu_seconds();
    }
    if (memory_ == 0 && seen_ >= kSettled) memory_ = anonymous_kib();
    if (done() && seconds == 0) {
      bytes = seen_ - base_;
      seconds = std::chrono::duration<double>(now - began_).count();
      cpu = cpu_seconds() - cpu_;
      grown_kib = static_cast<std::int64_t>(anonymous_kib()) - static_cast<std::int64_t>(memory_);
    }
  }
  bool done() const { return measuring_ && seen_ - base_ >= wanted_; }
  bool dried_up() const { return Clock::now() - last_ > kPatience; }

  std::uint64_t bytes = 0, pieces = 0;
  double seconds = 0, cpu = 0;
  std::int64_t grown_kib = 0;

 private:
  std::uint64_t wanted_, seen_ = 0, base_ = 0, memory_ = 0;
  bool measuring_ = false;
  Clock::time_point began_, last_ = Clock::now();
  double cpu_ = 0;
};

// A board that streams pages, more than any sink wants, once begin() is through. Who reads opens it and closes it again; what was in
// flight then is lost, which is all the same to who only counts.
struct Stream {
  static constexpr unsigned kBlocks = 1984;
  static constexpr std::uint32_t kRows = kBlocks * 64;  // 262 MB of pages a run
  static constexpr int kRuns = 5;
  explicit Stream(unsigned number) : board(number, {}, kBlocks) {}
  bool begin() {
    bool begun = host.open(board.serial) && try_power(host) && try_start_run(host, kRows);
    for (int i = 1; i < kRuns && begun; ++i) begun = host.out(page_run(host, kRows)) == 0;
    host.close();
    return begun;
  }
  Board board;
  UsbHost host;
};

// ---- The least loop: as many transfers of the same size as the link has, counted and sent again ----

struct Loop {
  Sink& sink;
  int active = 0;
  bool over = false, beating = false;
  bool submit(libusb_transfer* transfer) {
    const int status = libusb_submit_transfer(transfer);
    EXPECT_EQ(status, 0) << libusb_error_name(status);
    active += status == 0 ? 1 : 0;
    over = over || status != 0;
    return status == 0;
  }
  static void LIBUSB_CALL on_read(libusb_transfer* transfer) {
    Loop& me = *static_cast<Loop*>(transfer->user_data);
    --me.active;
    if (me.over) return;
    me.sink.take(static_cast<std::size_t>(transfer->actual_length));
    me.over = transfer->status != LIBUSB_TRANSFER_COMPLETED || me.sink.done();
    if (!me.over) me.submit(transfer);
  }
  static void LIBUSB_CALL on_beat(libusb_transfer* transfer) {
    Loop& me = *static_cast<Loop*>(transfer->user_data);
    --me.active;
    me.beating = false;
  }
};

void by_loop(Stream& stream, Sink& sink) {
  ASSERT_TRUE(stream.host.open(stream.board.serial));
  Loop loop{.sink = sink};
  std::deque<Bytes> buffers;
  std::vector<libusb_transfer*> transfers;
  for (std::size_t i = 0; i < link::transfers_within(16); ++i) {
    Bytes& buffer = buffers.emplace_back(static_cast<std::size_t>(link::kTransferBytes));
    libusb_transfer* transfer = transfers.emplace_back(libusb_alloc_transfer(0));
    libusb_fill_bulk_transfer(transfer, stream.host.handle(), SCU_BULK_IN, buffer.data(), link::kTransferBytes, Loop::on_read, &loop,
                              0);
    loop.submit(transfer);
  }
  Bytes frame;
  libusb_transfer* beat = transfers.emplace_back(libusb_alloc_transfer(0));
  for (auto beaten = Clock::time_point(); !loop.over && !sink.dried_up();) {
    if (!loop.beating && Clock::now() - beaten > kBeat) {
      frame = stream.host.request(SCP_HEARTBEAT);
      libusb_fill_bulk_transfer(beat, stream.host.handle(), SCU_BULK_OUT, frame.data(), static_cast<int>(frame.size()), Loop::on_beat,
                                &loop, 500);
      loop.beating = loop.submit(beat);
      beaten = Clock::now();
    }
    timeval tick{0, 50'000};
    libusb_handle_events_timeout(stream.host.context(), &tick);
  }
  loop.over = true;
  for (libusb_transfer* transfer : transfers) libusb_cancel_transfer(transfer);
  while (loop.active > 0) libusb_handle_events(stream.host.context());
  for (libusb_transfer* transfer : transfers) libusb_free_transfer(transfer);
  stream.host.close();
}

// ---- The link, as board/ uses it: one coroutine reads, another keeps the board awake ----

asio::awaitable<void> keep_awake(link::Link& link, Stream& stream, const Sink& sink, asio::steady_timer& timer) {
  while (!sink.done()) {
    if (sink.dried_up()) link.close();
    if (!co_await link.write(stream.host.request(SCP_HEARTBEAT))) co_return;
    timer.expires_after(kBeat);
    boost::system::error_code ended;
    co_await timer.async_wait(asio::redirect_error(asio::use_awaitable, ended));
  }
}

asio::awaitable<void> drink(asio::io_context& io, Stream& stream, Sink& sink) {
  auto link = co_await link::open_usb(stream.board.serial);
  EXPECT_TRUE(link) << link.error().text();
  if (!link) co_return;
  asio::steady_timer timer(io);
  asio::steady_timer ended(io, asio::steady_timer::time_point::max());
  bool awake = true;
  asio::co_spawn(io, keep_awake(**link, stream, sink, timer), [&](const std::exception_ptr&) {
    awake = false;
    ended.cancel();
  });
  Bytes into(256 << 10);
  while (!sink.done()) {
    const auto got = co_await (*link)->read_view(into);
    if (!got) {
      std::printf("   %s\n", got.error().text().c_str());
      break;
    }
    sink.take(got->size());
  }
  (*link)->close();
  timer.cancel();
  boost::system::error_code waited;
  if (awake) co_await ended.async_wait(asio::redirect_error(asio::use_awaitable, waited));
}

void by_link(Stream& stream, Sink& sink) {
  asio::io_context io(1);
  asio::co_spawn(io, drink(io, stream, sink), [](const std::exception_ptr& fault) {
    if (fault) std::rethrow_exception(fault);
  });
  io.run();
}

// ---- The comparison ----

struct Total {
  double bytes = 0, seconds = 0, cpu = 0, pieces = 0;
  void add(const Sink& sink) {
    bytes += static_cast<double>(sink.bytes);
    seconds += sink.seconds;
    cpu += sink.cpu;
    pieces += static_cast<double>(sink.pieces);
  }
  void say(const char* who) const {
    std::printf("   %-12s %6.1f MiB in %5.1f s: %6.2f MB/s, %5.2f s of this processor per GB in the host, %.0f KiB a piece\n", who,
                bytes / double{kMiB}, seconds, bytes / seconds / 1e6, cpu / bytes * 1e9, bytes / pieces / 1024);
  }
};

using How = void (*)(Stream&, Sink&);

// The stream that there is, and a new one where it dried up: on a busy machine half a second passes without a heartbeat now and then, and
// the board switches off.
class Measuring {
 public:
  std::optional<Sink> measure(How how, std::uint64_t wanted) {
    for (int tries = 8; tries > 0; --tries) {
      if (!stream_) stream_ = std::make_unique<Stream>(next_board_++);
      Sink sink(wanted);
      if (streaming_ || (streaming_ = stream_->begin())) how(*stream_, sink);
      if (sink.done()) return sink;
      std::printf("   the stream dried up\n");
      stream_.reset();
      streaming_ = false;
    }
    ADD_FAILURE() << "this machine is too busy to keep a board awake";
    return std::nullopt;
  }

 private:
  static inline unsigned next_board_ = 41;
  // Starting libusb anew for each link would take longer than a board waits for its next heartbeat.
  Result<std::shared_ptr<link::UsbEvents>> kept_ = link::UsbEvents::get(link::real_usb());
  std::unique_ptr<Stream> stream_;
  bool streaming_ = false;
};

double rate(const Sink& sink) {
  return static_cast<double>(sink.bytes) / sink.seconds;
}

TEST(VmThroughput, TheLinkBesideTheLeastLoopOfLibusb) {
  Measuring measuring;
  const auto trial = measuring.measure(by_loop, 8 * kMiB);
  ASSERT_TRUE(trial);
  const std::uint64_t slice = std::clamp(static_cast<std::uint64_t>(rate(*trial) * kSlice_s), 8 * kMiB, 32 * kMiB);
  Total link, loop;
  std::vector<double> ratios;
  double fastest_link = 0, fastest_loop = 0;
  double median = 0, of_fastest = 0;
  const auto enough = [&] { return std::max(median, of_fastest) >= kAsked; };
  for (int pair = 0; pair < kPairs || (pair < kMostPairs && !enough()); ++pair) {
    std::optional<Sink> by_each[2];
    // The one first, then the other first: a machine that grows slower or faster meanwhile is fair to both.
    for (const bool loops : {pair % 2 != 0, pair % 2 == 0})
      by_each[loops ? 1 : 0] = measuring.measure(loops ? by_loop : by_link, slice);
    ASSERT_TRUE(by_each[0] && by_each[1]);
    link.add(*by_each[0]);
    loop.add(*by_each[1]);
    ratios.push_back(rate(*by_each[0]) / rate(*by_each[1]));
    fastest_link = std::max(fastest_link, rate(*by_each[0]));
    fastest_loop = std::max(fastest_loop, rate(*by_each[1]));
    std::sort(ratios.begin(), ratios.end());
    median = ratios[ratios.size() / 2];
    of_fastest = fastest_link / fastest_loop;
  }
  link.say("link/usb");
  loop.say("libusb loop");
  std::printf("   ratio, median of %zu pairs: %.3f (%.3f to %.3f); of the fastest: %.3f (%.2f and %.2f MB/s); asked for %.2f\n",
              ratios.size(), median, ratios.front(), ratios.back(), of_fastest, fastest_link / 1e6, fastest_loop / 1e6, kAsked);
  EXPECT_TRUE(enough());
}

TEST(VmThroughput, MemoryStaysConstantOverOneGibibyte) {
  if (std::getenv("STEADYCELL_LONG") == nullptr) GTEST_SKIP() << "only with --long";
  // Else the kernel makes one page of 2 MiB of small ones some time on, and what nobody used counts as memory.
  ASSERT_EQ(::prctl(PR_SET_THP_DISABLE, 1, 0, 0, 0), 0);
  const auto sink = Measuring().measure(by_link, 1024 * kMiB);
  ASSERT_TRUE(sink);
  Total link;
  link.add(*sink);
  link.say("link/usb");
  std::printf("   memory grew by %lld KiB from 64 MiB to the end\n", static_cast<long long>(sink->grown_kib));
  EXPECT_LE(sink->grown_kib, 256);
}

}  // namespace
}  // namespace steadycell::vm
