// A USB/IP client that sends whatever it likes to the simulated board, and endpoint 0 of the device core behind it. Whatever comes: no
// answer is longer than asked, every answer belongs to a request, none is answered twice, and a complaint ends the connection.
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <cstring>
#include <map>
#include <memory>

#include "firmware_protocol/recording_hal.h"
#include "simbench/usbip_link.h"

namespace {

using namespace steadycell;
using namespace steadycell::simbench;

void expect(bool holds) {
  if (!holds) __builtin_trap();
}

std::uint32_t be32(const Bytes& b, std::size_t at) {
  return std::uint32_t{b[at]} << 24 | std::uint32_t{b[at + 1]} << 16 | std::uint32_t{b[at + 2]} << 8 | b[at + 3];
}

void put_be32(Bytes& out, std::uint32_t v) {
  for (int shift = 24; shift >= 0; shift -= 8) out.push_back(static_cast<std::uint8_t>(v >> shift));
}

struct Asked {
  bool in = false;
  std::uint32_t length = 0;
  bool answered = false;
};

// One request, made of a few bytes of input: most are well-formed, so that the fuzzer gets past the header.
Bytes request(const std::uint8_t*& at, const std::uint8_t* end, std::uint32_t sequence, std::map<std::uint32_t, Asked>& asked) {
  const auto byte = [&] { return at < end ? *at++ : std::uint8_t{0}; };
  const std::uint8_t what = byte();
  Bytes out;
  if (what % 8 == 7) {
    for (const std::uint32_t v : {2u, sequence, usbip::kDeviceId, 0u, 0u, std::uint32_t{byte()}}) put_be32(out, v);
    out.resize(usbip::kHeaderBytes, 0);
    return out;
  }
  const bool in = (what & 8) != 0;
  const std::uint32_t length = what % 8 == 0 ? byte() : std::uint32_t{byte()} * 16;
  for (const std::uint32_t v :
       {1u, sequence, usbip::kDeviceId, in ? 1u : 0u, std::uint32_t{what % 4u}, what & 16u ? 1u : 0u, length, 0u, 0u, 0u})
    put_be32(out, v);
  for (int i = 0; i < 8; ++i) out.push_back(byte());
  if (!in)
    for (std::uint32_t i = 0; i < length; ++i) out.push_back(byte());
  asked[sequence] = {in, length, false};
  return out;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 2) return 0;
  std::array<int, 2> ends{};
  if (::socketpair(AF_UNIX, SOCK_STREAM, 0, ends.data()) != 0) return 0;
  RecordingHal hal;
  sc_hal table = hal.table();
  sc_identity identity{};
  identity.capabilities = SCP_CAN_SOCKET | SCP_CAN_PORT;
  Bytes arena(SC_CORE_ARENA_FOR(2112));
  const auto core = std::make_unique<sc_core>();
  sc_core_init(core.get(), &table, &identity, arena.data(), arena.size());
  Faults faults;
  OutgoingStream out(faults, false);
  const LinkedBoard board{*core, out, faults};
  const bool raw = (data[0] & 1) != 0;
  UsbIpLink link(ends[1], data[0] & 2 ? SCU_HIGH_SPEED : SCU_FULL_SPEED,
                 data[0] & 4 ? UsbIpLink::Start::handshake : UsbIpLink::Start::attached, {});
  const std::uint8_t *at = data + 1, *end = data + size;

  std::map<std::uint32_t, Asked> asked;
  std::uint32_t sequence = 0;
  Bytes got;
  bool there = true;
  while (there && at < end) {
    Bytes piece;
    if (raw) {
      piece.assign(at, end);
      at = end;
    } else {
      piece = request(at, end, ++sequence, asked);
      hal.now += 20'000'000;
    }
    expect(::send(ends[0], piece.data(), piece.size(), MSG_NOSIGNAL) == static_cast<ssize_t>(piece.size()));
    there = link.receive(board);
    for (int i = 0; i < 4; ++i) sc_core_step(core.get());
    out.take(hal.sent.data(), hal.sent.size());
    hal.sent.clear();
    there = there && out.flush(link, hal.now) && link.rest(board);
    Bytes more(std::size_t{1} << 17);
    const ssize_t n = ::recv(ends[0], more.data(), more.size(), MSG_DONTWAIT);
    got.insert(got.end(), more.begin(), more.begin() + std::max<ssize_t>(n, 0));
  }
  if (!raw && (data[0] & 4) == 0) {
    expect(link.complaint().empty());
    for (std::size_t i = 0; i + usbip::kHeaderBytes <= got.size();) {
      const std::uint32_t command = be32(got, i), answers = be32(got, i + 4), actual = be32(got, i + 24);
      i += usbip::kHeaderBytes;
      if (command == usbip::kUnlinked) continue;
      expect(command == usbip::kSubmitted && asked.contains(answers));
      Asked& it = asked[answers];
      expect(!it.answered && actual <= it.length);
      it.answered = true;
      if (it.in) i += actual;
      expect(i <= got.size());
    }
  }
  ::close(ends[0]);
  ::close(ends[1]);
  return 0;
}
