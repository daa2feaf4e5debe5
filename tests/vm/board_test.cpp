// The simulated board under a real Linux kernel: usbcore, usbfs, usbhid and hidraw, with libusb on top. Started by tests/vm/run in its
// guest, as root; what it compares with is named at each test.
#include <fcntl.h>
#include <linux/hidraw.h>
#include <poll.h>
#include <sys/ioctl.h>
#include <sys/wait.h>

#include <deque>
#include <filesystem>
#include <fstream>
#include <memory>

#include "firmware_protocol/vectors.h"
#include "fixtures/raw_host.h"
#include "fixtures/usbip_client.h"
#include "vm/page_run.h"
#include "vm/plugged_board.h"
#include "vm/usb_host.h"

namespace steadycell::vm {
namespace {

using simbench::testing::Program;

// The hidraw device of a board, by the serial that the kernel shows as its "uniq".
int open_hidraw(const std::string& serial) {
  for (int i = 0; i < 100; ++i) {
    for (const auto& entry : std::filesystem::directory_iterator("/sys/class/hidraw")) {
      const int fd = ::open(("/dev/" + entry.path().filename().string()).c_str(), O_RDWR | O_CLOEXEC);
      std::array<char, 64> uniq{};
      if (fd >= 0 && ::ioctl(fd, HIDIOCGRAWUNIQ(64), uniq.data()) > 0 && serial == uniq.data()) return fd;
      if (fd >= 0) ::close(fd);
    }
    std::this_thread::sleep_for(50ms);
  }
  ADD_FAILURE() << "no hidraw device of " << serial;
  return -1;
}

std::optional<scu_meter> read_meter(int hid, int timeout_ms = 1000) {
  std::array<std::uint8_t, 256> report{};
  pollfd wait{hid, POLLIN, 0};
  if (::poll(&wait, 1, timeout_ms) <= 0) return std::nullopt;
  const ssize_t n = ::read(hid, report.data(), report.size());
  scu_meter m{};
  if (n <= 0 || !scu_get_meter(report.data(), static_cast<std::size_t>(n), &m)) return std::nullopt;
  return m;
}

int control_in(const UsbHost& host, std::uint8_t type, std::uint8_t code, unsigned value, unsigned index, Bytes& into) {
  into.resize(512);
  const int n = libusb_control_transfer(host.handle(), type, code, static_cast<std::uint16_t>(value), static_cast<std::uint16_t>(index),
                                        into.data(), static_cast<std::uint16_t>(into.size()), 1000);
  into.resize(static_cast<std::size_t>(std::max(n, 0)));
  return n;
}

// USB 2.0 chapter 9 and Microsoft OS 2.0 through the frozen bytes; what libusb makes of the configuration by itself.
TEST(VmBoard, EveryDescriptorReachesTheHost) {
  Board board(1);
  UsbHost host;
  ASSERT_TRUE(host.open(board.serial));
  EXPECT_EQ(libusb_get_device_speed(host.device()), LIBUSB_SPEED_HIGH);
  EXPECT_EQ(libusb_kernel_driver_active(host.handle(), SCU_HID_INTERFACE), 1) << "usbhid has interface 1";
  EXPECT_EQ(libusb_kernel_driver_active(host.handle(), SCU_BULK_INTERFACE), 0);
  for (const unsigned bulk : {SCU_BULK_IN, SCU_BULK_OUT})
    EXPECT_EQ(libusb_get_max_packet_size(host.device(), static_cast<unsigned char>(bulk)), 512);
  Bytes got;
  control_in(host, 0x80, 6, SCU_DEVICE << 8, 0, got);
  EXPECT_EQ(got, frames::load_vector("usb/device"));
  control_in(host, 0x80, 6, SCU_BOS << 8, 0, got);
  EXPECT_EQ(got, frames::load_vector("usb/bos"));
  control_in(host, 0x80, 6, SCU_DEVICE_QUALIFIER << 8, 0, got);
  EXPECT_EQ(got, frames::load_vector("usb/device_qualifier"));
  control_in(host, 0x80, 6, SCU_OTHER_SPEED << 8, 0, got);
  EXPECT_EQ(got, frames::load_vector("usb/other_speed_of_high"));
  control_in(host, 0xC0, SCU_MS_OS_20_REQUEST, 0, SCU_MS_OS_20_INDEX, got);
  EXPECT_EQ(got, frames::load_vector("usb/ms_os_20_set"));
  EXPECT_EQ(control_in(host, 0x80, 6, SCU_STRING << 8 | 9, 0x409, got), LIBUSB_ERROR_PIPE) << "what it lacks is stalled";
  libusb_bos_descriptor* bos = nullptr;
  ASSERT_EQ(libusb_get_bos_descriptor(host.handle(), &bos), 0);
  EXPECT_EQ(bos->bNumDeviceCaps, 2);
  libusb_free_bos_descriptor(bos);
}

TEST(VmBoard, AHelloOverBulkNamesTheBoardOfTheSerial) {
  Board board(2);
  UsbHost host;
  ASSERT_TRUE(host.open(board.serial));
  const auto answer = host.ask(host.hello());
  ASSERT_TRUE(answer);
  scp_hello hello{};
  scp_get_hello(answer->payload.data() + 4, &hello);
  std::array<char, SCU_SERIAL_DIGITS + 1> serial{};
  scu_serial(serial.data(), hello.uuid);
  EXPECT_EQ(board.serial, serial.data());
}

TEST(VmBoard, HidrawCarriesHeartbeatMeterAndRailsOff) {
  Board board(3);
  UsbHost host;
  ASSERT_TRUE(host.open(board.serial));
  const int hid = open_hidraw(board.serial);
  ASSERT_GE(hid, 0);
  hidraw_report_descriptor report{};
  ::ioctl(hid, HIDIOCGRDESCSIZE, &report.size);
  ASSERT_EQ(::ioctl(hid, HIDIOCGRDESC, &report), 0);
  EXPECT_EQ(Bytes(report.value, report.value + report.size), frames::load_vector("usb/hid_report"));
  power(host);
  std::array<std::uint8_t, SCU_REPORT_BYTES> out{};
  std::optional<scu_meter> m;
  std::uint32_t before = 0, skipped = 0;
  for (std::uint32_t token = 1; token <= 12; ++token) {
    scu_put_token(out.data(), SCU_REPORT_HEARTBEAT, token);
    ASSERT_EQ(::write(hid, out.data(), out.size()), SCU_REPORT_BYTES);
    m = read_meter(hid);
    ASSERT_TRUE(m);
    if (token > 1) skipped += m->sequence - before - 1;
    before = m->sequence;
  }
  EXPECT_EQ(skipped, 0u) << "read all the while, none is lost";
  EXPECT_GE(m->heartbeat_token, 10u);
  EXPECT_NE(m->flags & SCU_SOCKET_ON, 0) << "1.2 s without a frame: the reports kept the rail";
  scu_put_token(out.data(), SCU_REPORT_RAILS_OFF, 77);
  ASSERT_EQ(::write(hid, out.data(), out.size()), SCU_REPORT_BYTES);
  for (int i = 0; i < 5 && m && m->rails_off_token != 77; ++i) m = read_meter(hid);
  ASSERT_TRUE(m);
  EXPECT_EQ(m->rails_off_token, 77u);
  EXPECT_EQ(m->flags & SCU_SOCKET_ON, 0);
  // GET_REPORT over endpoint 0, as the kernel asks for it.
  std::array<std::uint8_t, SCU_REPORT_BYTES> asked{SCU_REPORT_METER};
  EXPECT_EQ(::ioctl(hid, HIDIOCGINPUT(SCU_REPORT_BYTES), asked.data()), SCU_REPORT_BYTES);
  scu_meter now{};
  EXPECT_TRUE(scu_get_meter(asked.data(), asked.size(), &now));
  ::close(hid);
}

TEST(VmBoard, AStallEndsWhenTheHostClearsIt) {
  Board board(4);
  UsbHost host;
  ASSERT_TRUE(host.open(board.serial));
  ASSERT_EQ(host.status_of(host.hello()), SCP_OK);
  board.fault("stall-in");
  ASSERT_EQ(host.out(host.request(SCP_BOARD_STATE)), 0);
  EXPECT_EQ(host.in(1024).status, LIBUSB_ERROR_PIPE);
  EXPECT_EQ(host.in(1024).status, LIBUSB_ERROR_PIPE) << "and stays so";
  EXPECT_EQ(libusb_clear_halt(host.handle(), SCU_BULK_IN), 0);
  EXPECT_EQ(host.status_of(host.request(SCP_ABORT, {1, 2, 3, 4, 5, 6, 7, 8})), SCP_OK);
  board.fault("stall-out");
  EXPECT_EQ(host.out(host.request(SCP_HEARTBEAT)), LIBUSB_ERROR_PIPE);
  EXPECT_EQ(libusb_clear_halt(host.handle(), SCU_BULK_OUT), 0);
  EXPECT_EQ(host.status_of(host.request(SCP_HEARTBEAT)), SCP_OK);
}

TEST(VmBoard, ZeroLengthPacketsEndATransferAndMeanNothing) {
  Board board(5);
  UsbHost host;
  ASSERT_TRUE(host.open(board.serial));
  board.fault("zero-length on");
  ASSERT_EQ(host.out(host.hello()), 0);
  const auto nothing = host.in(1024);
  EXPECT_EQ(nothing.status, 0);
  EXPECT_EQ(nothing.bytes.size(), 0u);
  EXPECT_EQ(host.in(1024).bytes.size(), 104u);
  for (int i = 0; i < 20; ++i) EXPECT_EQ(host.status_of(host.request(SCP_HEARTBEAT)), SCP_OK);
}

TEST(VmBoard, ASmallBufferOverflowsAndTheNextFrameIsWhole) {
  Board board(6);
  UsbHost host;
  ASSERT_TRUE(host.open(board.serial));
  ASSERT_EQ(host.out(host.hello()), 0);
  EXPECT_EQ(host.in(64).status, LIBUSB_ERROR_OVERFLOW);
  EXPECT_EQ(host.status_of(host.request(SCP_ABORT, {1, 2, 3, 4, 5, 6, 7, 8})), SCP_OK);
}

TEST(VmBoard, AfterATimeOutTheNextRequestWorks) {
  Board board(7);
  UsbHost host;
  ASSERT_TRUE(host.open(board.serial));
  ASSERT_EQ(host.status_of(host.hello()), SCP_OK);
  board.fault("mute on");
  ASSERT_EQ(host.out(host.request(SCP_BOARD_STATE)), 0);
  EXPECT_EQ(host.in(1024, 200).status, LIBUSB_ERROR_TIMEOUT);
  board.fault("mute off");
  EXPECT_EQ(host.status_of(host.request(SCP_ABORT, {1, 2, 3, 4, 5, 6, 7, 8})), SCP_OK);
}

TEST(VmBoard, ADamagedFrameIsSeenAndTheNextIsGood) {
  Board board(8);
  UsbHost host;
  ASSERT_TRUE(host.open(board.serial));
  ASSERT_EQ(host.status_of(host.hello()), SCP_OK);
  board.fault("flip 8004 0 333");
  ASSERT_EQ(host.out(host.request(SCP_BOARD_STATE)), 0);
  EXPECT_EQ(host.status_of(host.request(SCP_HEARTBEAT)), SCP_OK);
  EXPECT_EQ(host.parser().parser.bad_frames, 1u);
}

// A reader with several transfers in flight; stops at the end of the run or when the board goes.
struct Reader {
  explicit Reader(UsbHost& h) : host(h) {}
  void read_all(int depth, int size) {
    std::deque<Bytes> buffers;
    std::vector<libusb_transfer*> transfers;
    for (int i = 0; i < depth; ++i) {
      Bytes& buffer = buffers.emplace_back(static_cast<std::size_t>(size));
      libusb_transfer* t = libusb_alloc_transfer(0);
      libusb_fill_bulk_transfer(t, host.handle(), SCU_BULK_IN, buffer.data(), size, done, this, 0);
      transfers.push_back(t);
      submit(t);
    }
    bool cancelled = false;
    auto beaten = std::chrono::steady_clock::now();
    const auto until = std::chrono::steady_clock::now() + 150s;
    while (active > 0) {
      if (std::chrono::steady_clock::now() > until) end(LIBUSB_ERROR_TIMEOUT);
      timeval tick{0, 100000};
      libusb_handle_events_timeout(host.context(), &tick);
      if (!over && std::chrono::steady_clock::now() - beaten > 100ms) {
        host.out(host.request(SCP_HEARTBEAT));
        beaten = std::chrono::steady_clock::now();
      }
      if (!over || cancelled) continue;
      for (libusb_transfer* t : transfers) libusb_cancel_transfer(t);
      cancelled = true;
    }
    for (libusb_transfer* t : transfers) libusb_free_transfer(t);
  }
  void submit(libusb_transfer* t) {
    const int status = libusb_submit_transfer(t);
    if (status == 0)
      ++active;
    else
      end(status);
  }
  void end(int status) {
    if (!over) first_failure = status;
    over = true;
  }
  static void LIBUSB_CALL done(libusb_transfer* t) {
    auto& me = *static_cast<Reader*>(t->user_data);
    --me.active;
    me.parser.feed({t->buffer, static_cast<std::size_t>(t->actual_length)});
    me.bytes += static_cast<std::uint64_t>(t->actual_length);
    for (const frames::Frame& f : me.parser.found) {
      if (f.header.type == SCP_PAGE_DATA) me.rows_in_order = me.rows_in_order && scp_get_u32(f.payload.data() + 8) == me.pages++;
      if (f.header.type == SCP_SAMPLES) me.take_samples(f.payload);
      if (f.header.type == SCP_RUN_END) me.end(0);
    }
    me.parser.found.clear();
    if (t->status != LIBUSB_TRANSFER_COMPLETED) me.end(static_cast<int>(t->status) + 1000);
    if (!me.over) me.submit(t);
  }

  void take_samples(const Bytes& p) {
    const std::uint32_t count = scp_get_u16(p.data() + 2), step = scp_get_u32(p.data() + 12);
    const std::uint64_t first = scp_get_u64(p.data() + 4);
    samples_dropped += scp_get_u32(p.data() + 16);
    if (samples > 0 && first != next_sample_ns) ++sample_gaps;
    next_sample_ns = first + std::uint64_t{count} * step;
    samples += count;
  }

  UsbHost& host;
  frames::Collector parser;
  std::uint64_t bytes = 0, samples = 0, next_sample_ns = 0;
  std::uint32_t samples_dropped = 0, sample_gaps = 0;
  std::uint32_t pages = 0;
  bool rows_in_order = true, over = false;
  int active = 0, first_failure = 0;
};

// More than 256 MiB of frames, each with its checksum, its row and its sequence looked at; the supply's samples run beside the
// pages on the same pipe.
TEST(VmBoard, PagesAndSamplesStreamThroughTheKernelWithoutALoss) {
  const unsigned blocks = 1984;
  const std::uint32_t rows = blocks * 64;
  Board board(9, {}, blocks);
  UsbHost host;
  ASSERT_TRUE(host.open(board.serial));
  power(host);
  // The socket rail, averaged every 100 us, no burst.
  ASSERT_EQ(host.status_of(host.request(SCP_SUPPLY_START, {SCP_RAIL_SOCKET, 0, 0, 0, 0xA0, 0x86, 1, 0, 0, 0, 0, 0})), SCP_OK);
  start_run(host, rows);
  Reader reader(host);
  const auto began = std::chrono::steady_clock::now();
  reader.read_all(8, 65536);
  const double seconds = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
  EXPECT_EQ(reader.first_failure, 0);
  EXPECT_EQ(reader.pages, rows);
  EXPECT_TRUE(reader.rows_in_order);
  EXPECT_EQ(reader.parser.parser.bad_frames, 0u);
  EXPECT_EQ(reader.parser.parser.skipped_bytes, 0u);
  EXPECT_GT(reader.bytes, std::uint64_t{256} << 20);
  EXPECT_EQ(reader.samples_dropped, 0u);
  EXPECT_EQ(reader.sample_gaps, 0u);
  EXPECT_GT(static_cast<double>(reader.samples), 9000 * (seconds - 1)) << "10 kS/s";
  std::printf("   %llu MiB of bulk in %.1f s: %.1f MB/s, %llu samples among them\n", static_cast<unsigned long long>(reader.bytes >> 20),
              seconds, static_cast<double>(reader.bytes) / seconds / 1e6, static_cast<unsigned long long>(reader.samples));
}

TEST(VmBoard, UnpluggedInAStreamItEndsAndPluggedInAgainItIsTheSameBoard) {
  Board board(10);
  UsbHost host;
  ASSERT_TRUE(host.open(board.serial));
  power(host);
  start_run(host, 256 * 64);
  board.fault("unplug-after 3000000");
  Reader reader(host);
  reader.read_all(8, 65536);
  EXPECT_NE(reader.first_failure, 0);
  EXPECT_LT(reader.bytes, 3'100'000u);
  EXPECT_GT(reader.pages, 1000u);
  EXPECT_TRUE(reader.rows_in_order) << "what came before is whole";
  EXPECT_EQ(reader.parser.parser.bad_frames, 0u);
  EXPECT_EQ(host.in(1024, 500).status, LIBUSB_ERROR_NO_DEVICE);
  host.close();
  std::this_thread::sleep_for(700ms);
  board.fault("plug");
  ASSERT_TRUE(host.open(board.serial));
  const auto answer = host.ask(host.hello());
  ASSERT_TRUE(answer);
  scp_hello hello{};
  scp_get_hello(answer->payload.data() + 4, &hello);
  EXPECT_EQ(hello.boot_counter, 1u) << "it was never without power";
  const auto state = host.ask(host.request(SCP_BOARD_STATE));
  ASSERT_TRUE(state);
  EXPECT_LT(scp_get_u16(state->payload.data() + 4), 100u) << "silence cut the socket rail";
}

TEST(VmBoard, AtFullSpeedItWorksToo) {
  Board board(11, {"--full-speed"});
  UsbHost host;
  ASSERT_TRUE(host.open(board.serial));
  EXPECT_EQ(libusb_get_device_speed(host.device()), LIBUSB_SPEED_FULL);
  EXPECT_EQ(libusb_get_max_packet_size(host.device(), SCU_BULK_IN), 64);
  EXPECT_EQ(host.status_of(host.hello()), SCP_OK);
}

TEST(VmBoard, TwoBoardsAreToldApartByTheirSerials) {
  Board one(12), two(13);
  UsbHost first, second;
  ASSERT_TRUE(first.open(one.serial));
  ASSERT_TRUE(second.open(two.serial));
  for (auto [host, board] : {std::pair{&first, &one}, std::pair{&second, &two}}) {
    const auto answer = host->ask(host->hello());
    ASSERT_TRUE(answer);
    EXPECT_EQ(hex(ByteSpan(answer->payload).subspan(8, 16)), board->serial);
  }
}

// --listen usbip: what the kernel's own client does (tools/usb/usbip): ask over TCP, then hand the socket to the kernel.
TEST(VmBoard, AUsbIpClientAttachesItOverTcp) {
  Program program({fixture_file(14), "--listen", "usbip:127.0.0.1:3240"});
  ASSERT_EQ(program.line(), "listening on usbip:127.0.0.1:3240");
  const int fd = simbench::testing::connect_tcp(3240);
  {
    simbench::testing::UsbIpClient client(::dup(fd));
    Bytes ask(40, 0);
    const Bytes head{0x01, 0x11, 0x80, 0x03, 0, 0, 0, 0, '1', '-', '1'};
    std::copy(head.begin(), head.end(), ask.begin());
    client.write(ask);
    ASSERT_EQ(client.read(320).size(), 320u);
  }
  std::ofstream attach("/sys/devices/platform/vhci_hcd.0/attach");
  attach << "7 " << fd << " " << (1 << 16 | 2) << " 3" << std::flush;
  ASSERT_TRUE(attach.good());
  ::close(fd);
  UsbHost host;
  ASSERT_TRUE(host.open(serial_of(14)));
  EXPECT_EQ(host.status_of(host.hello()), SCP_OK);
  host.close();
  std::ofstream("/sys/devices/platform/vhci_hcd.0/detach") << "7" << std::flush;
}

// Without a rule of ours the node belongs to root.
TEST(VmBoard, AnotherUserIsRefused) {
  Board board(15);
  UsbHost root;
  ASSERT_TRUE(root.open(board.serial));
  root.close();
  const pid_t child = ::fork();
  if (child == 0) {
    if (::setgid(65534) != 0 || ::setuid(65534) != 0) ::_exit(9);
    libusb_context* context = nullptr;
    libusb_device** list = nullptr;
    libusb_init(&context);
    const ssize_t n = libusb_get_device_list(context, &list);
    for (ssize_t i = 0; i < n; ++i) {
      libusb_device_descriptor d{};
      libusb_device_handle* h = nullptr;
      libusb_get_device_descriptor(list[i], &d);
      if (d.idVendor == SCU_VENDOR) ::_exit(libusb_open(list[i], &h) == LIBUSB_ERROR_ACCESS ? 0 : 1);
    }
    ::_exit(2);
  }
  int status = 0;
  ::waitpid(child, &status, 0);
  EXPECT_TRUE(WIFEXITED(status));
  EXPECT_EQ(WEXITSTATUS(status), 0);
}

TEST(VmBoard, TwentyTimesPluggedItIsFoundTwentyTimes) {
  Board board(16);
  UsbHost host;
  for (int i = 0; i < 20; ++i) {
    ASSERT_TRUE(host.open(board.serial)) << "plugged for time " << i;
    ASSERT_EQ(host.status_of(host.hello()), SCP_OK);
    board.fault("unplug");
    EXPECT_NE(host.in(1024, 1000).status, 0);
    host.close();
    board.fault("plug");
  }
}

}  // namespace
}  // namespace steadycell::vm
