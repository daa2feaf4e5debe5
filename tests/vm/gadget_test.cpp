// The bulk interface where the kernel's own device side makes the packets (dummy_hcd): what USB/IP leaves to our own code is
// decided here by somebody else's. The board is plugged in by tests/vm/guest/4-gadget.
#include "vm/usb_host.h"

namespace steadycell::vm {
namespace {

// As in tests/vm/guest/4-gadget.
const std::string kSerial = "gadget";

TEST(VmGadget, AnswersEndWithAShortPacket) {
  UsbHost host;
  ASSERT_TRUE(host.open(kSerial));
  ASSERT_EQ(host.out(host.hello()), 0);
  const auto got = host.in(16384);
  EXPECT_EQ(got.status, 0);
  EXPECT_EQ(got.bytes.size(), 104u);
}

TEST(VmGadget, APacketThatDoesNotFitIsOverflowAndTheNextFrameIsWhole) {
  UsbHost host;
  ASSERT_TRUE(host.open(kSerial));
  ASSERT_EQ(host.status_of(host.hello()), SCP_OK);
  ASSERT_EQ(host.out(host.request(SCP_BOARD_STATE)), 0);
  EXPECT_EQ(host.in(50).status, LIBUSB_ERROR_OVERFLOW) << "64 bytes do not fit into 50";
  EXPECT_EQ(host.status_of(host.request(SCP_ABORT, {1, 2, 3, 4, 5, 6, 7, 8})), SCP_OK);
  EXPECT_EQ(host.parser().parser.bad_frames, 0u);
}

TEST(VmGadget, AWholePacketIsClosedByAZeroLengthOne) {
  UsbHost host;
  ASSERT_TRUE(host.open(kSerial));
  ASSERT_EQ(host.status_of(host.hello()), SCP_OK);
  // 16 heartbeat answers of 32 bytes, made while nobody reads, end on a packet of 512: the transfer of 4096 ends all the same.
  Bytes all;
  for (int i = 0; i < 16; ++i) {
    const Bytes beat = host.request(SCP_HEARTBEAT);
    all.insert(all.end(), beat.begin(), beat.end());
  }
  ASSERT_EQ(host.out(all), 0);
  std::size_t got = 0;
  while (got < 512) {
    const auto part = host.in(4096);
    ASSERT_EQ(part.status, 0);
    got += part.bytes.size();
  }
  EXPECT_EQ(got, 512u);
  EXPECT_EQ(host.status_of(host.request(SCP_HEARTBEAT)), SCP_OK);
}

}  // namespace
}  // namespace steadycell::vm
