// A second opinion on USB/IP: the simulated board's bulk interface on the kernel's own device side (FunctionFS on dummy_hcd), where the
// kernel, not we, cuts transfers into packets and finds one that does not fit.
//   vm_gadget_board FIXTURE.json FUNCTIONFS_FOLDER     prints "ready" when the descriptors are written
#include <fcntl.h>
#include <fmt/format.h>
#include <linux/usb/functionfs.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include <condition_variable>
#include <cstdio>
#include <deque>
#include <mutex>
#include <thread>

#include "simbench/board.h"
#include "simbench/host_link.h"

namespace {

using namespace steadycell;
using namespace steadycell::simbench;

constexpr std::size_t kPacket = SCU_BULK_PACKET_HIGH, kPiece = 16384, kQueued = 8;

// FunctionFS endpoints block, so each has a thread; the board's thread meets them at two queues.
class GadgetLink final : public HostLink {
 public:
  GadgetLink(int in, int out) : in_(in), out_(out), event_(::eventfd(0, EFD_NONBLOCK)) {
    std::thread([this] { read_out(); }).detach();
    std::thread([this] { write_in(); }).detach();
  }
  bool receive(const LinkedBoard& board) override {
    std::uint64_t count = 0;
    [[maybe_unused]] const ssize_t n = ::read(event_, &count, sizeof count);
    Bytes bytes;
    {
      const std::lock_guard lock(mutex_);
      bytes.swap(received_);
    }
    sc_core_receive(&board.core, bytes.data(), bytes.size());
    return true;
  }
  std::ptrdiff_t take(const std::uint8_t* bytes, std::size_t n) override {
    const std::lock_guard lock(mutex_);
    if (sending_.size() >= kQueued) return 0;
    n = std::min(n, kPiece);
    sending_.emplace_back(bytes, bytes + n);
    open_ = n % kPacket == 0;
    more_.notify_one();
    return static_cast<std::ptrdiff_t>(n);
  }
  bool rest(const LinkedBoard&) override {
    const std::lock_guard lock(mutex_);
    if (open_) sending_.emplace_back();  // a zero-length packet closes what ended on a whole one
    open_ = false;
    more_.notify_one();
    return true;
  }
  pollfd wait() const override { return {event_, POLLIN, 0}; }
  void hang_up() override {}

 private:
  void read_out() {
    Bytes piece(kPiece);
    for (;;) {
      const ssize_t got = ::read(out_, piece.data(), piece.size());
      if (got < 0) continue;  // not configured yet
      const std::lock_guard lock(mutex_);
      received_.insert(received_.end(), piece.begin(), piece.begin() + got);
      const std::uint64_t one = 1;
      [[maybe_unused]] const ssize_t wrote = ::write(event_, &one, sizeof one);
    }
  }
  void write_in() {
    for (;;) {
      std::unique_lock lock(mutex_);
      more_.wait(lock, [this] { return !sending_.empty(); });
      const Bytes piece = std::move(sending_.front());
      sending_.pop_front();
      lock.unlock();
      [[maybe_unused]] const ssize_t wrote = ::write(in_, piece.data(), piece.size());
    }
  }

  int in_, out_, event_;
  std::mutex mutex_;
  std::condition_variable more_;
  Bytes received_;
  std::deque<Bytes> sending_;
  bool open_ = false;
};

void add32(Bytes& out, std::uint32_t v) {
  out.resize(out.size() + 4);
  scp_put_u32(out.data() + out.size() - 4, v);
}

// Interface 0 with its two endpoints, as the board's own configuration descriptor has them.
Bytes interface_of(const Fixture& fixture, scu_speed speed) {
  Bytes all(SCU_LONGEST_DESCRIPTOR);
  scu_descriptor(all.data(), SCU_CONFIGURATION_DESCRIPTOR << 8, speed, fixture.board.uuid.data());
  Bytes out(all.begin() + 9, all.begin() + 9 + 9 + 7 + 7);
  out[8] = 1;  // its name is string 1 here
  return out;
}

bool describe(int control, const Fixture& fixture) {
  Bytes out;
  for (const std::uint32_t v : {std::uint32_t{FUNCTIONFS_DESCRIPTORS_MAGIC_V2}, 0u,
                                std::uint32_t{FUNCTIONFS_HAS_FS_DESC | FUNCTIONFS_HAS_HS_DESC}, 3u, 3u})
    add32(out, v);
  for (const scu_speed speed : {SCU_FULL_SPEED, SCU_HIGH_SPEED}) {
    const Bytes part = interface_of(fixture, speed);
    out.insert(out.end(), part.begin(), part.end());
  }
  scp_put_u32(out.data() + 4, static_cast<std::uint32_t>(out.size()));
  if (::write(control, out.data(), out.size()) != static_cast<ssize_t>(out.size())) return false;
  const std::string_view name = "frames";
  Bytes strings;
  for (const std::uint32_t v : {std::uint32_t{FUNCTIONFS_STRINGS_MAGIC}, 0u, 1u, 1u}) add32(strings, v);
  strings.insert(strings.end(), {0x09, 0x04});
  strings.insert(strings.end(), name.begin(), name.end());
  strings.push_back(0);
  scp_put_u32(strings.data() + 4, static_cast<std::uint32_t>(strings.size()));
  return ::write(control, strings.data(), strings.size()) == static_cast<ssize_t>(strings.size());
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 3) return 2;
  auto fixture = read_fixture(argv[1]);
  if (!fixture) {
    fmt::print(stderr, "{}\n", fixture.error().text());
    return 2;
  }
  const std::string folder = argv[2];
  const int control = ::open((folder + "/ep0").c_str(), O_RDWR);
  if (control < 0 || !describe(control, *fixture)) {
    std::perror("FunctionFS descriptors");
    return 1;
  }
  const int out = ::open((folder + "/ep1").c_str(), O_RDWR), in = ::open((folder + "/ep2").c_str(), O_RDWR);
  if (in < 0 || out < 0) {
    std::perror("FunctionFS endpoints");
    return 1;
  }
  SimBoard board(std::move(*fixture));
  GadgetLink link(in, out);
  fmt::print("ready\n");
  std::fflush(stdout);
  board.serve(link);
  return 0;
}
