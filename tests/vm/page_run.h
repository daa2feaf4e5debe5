#pragma once
#include "fixtures/raw_host.h"
#include "vm/usb_host.h"

// A simulated chip of 2048 + 64 bytes a page that is powered and streams its pages.
namespace steadycell::vm {

// Whether it has power then; also not where the machine is so busy that the board hears nothing in time and switches off.
inline bool try_power(UsbHost& host) {
  return host.status_of(host.hello()) == SCP_OK &&
         host.status_of(host.request(SCP_SOCKET_ON, {0xE4, 0x0C, 100, 0, SCP_GROUND_USER_WORD, 0, 0})) == SCP_OK;
}

inline void power(UsbHost& host) {
  ASSERT_TRUE(try_power(host));
}

inline Bytes load_payload(unsigned slot, const Bytes& program) {
  Bytes payload{static_cast<std::uint8_t>(slot), 0, static_cast<std::uint8_t>(program.size()), 0};
  payload.insert(payload.end(), program.begin(), program.end());
  return payload;
}

inline Bytes page_run(UsbHost& host, std::uint32_t rows) {
  return host.request(SCP_PROGRAM_RUN, simbench::testing::RawHost::run_payload(1, 0, 1, 0, rows, rows, 1));
}

// Starts a run over so many rows of a powered chip. False: the board refused a step of it.
inline bool try_start_run(UsbHost& host, std::uint32_t rows) {
  using simbench::testing::RawHost;
  return host.status_of(host.request(SCP_BUS_SETUP, {4, 8, SCP_LARGE_PAGE, 2, 3, 0, 0, 0})) == SCP_OK &&
         host.status_of(host.request(SCP_PROGRAM_LOAD, load_payload(0, simbench::testing::reset_program()))) == SCP_OK &&
         host.status_of(host.request(SCP_PROGRAM_LOAD, load_payload(1, simbench::testing::page_program(2112)))) == SCP_OK &&
         host.status_of(host.request(SCP_PROGRAM_RUN, RawHost::run_payload(0, 0, 1, 0, 1, 1, 1))) == SCP_OK &&
         host.out(page_run(host, rows)) == 0;
}

inline void start_run(UsbHost& host, std::uint32_t rows) {
  ASSERT_TRUE(try_start_run(host, rows));
}

}  // namespace steadycell::vm
