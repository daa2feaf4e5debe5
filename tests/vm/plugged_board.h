#pragma once
#include <filesystem>
#include <fmt/format.h>
#include <gtest/gtest.h>

#include <fstream>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "fixtures/program.h"

// A simulated board in the vhci-hcd of the kernel that the test runs on.
namespace steadycell::vm {

// A bench of its own for each test: the number makes the serial.
inline std::string serial_of(unsigned number) {
  return fmt::format("00000000000040008000{:012x}", number);
}

inline std::string fixture_file(unsigned number, unsigned blocks = 256) {
  const std::string path = (std::filesystem::temp_directory_path() / fmt::format("board-{}.json", number)).string();
  const std::string uuid = serial_of(number).insert(20, "-").insert(16, "-").insert(12, "-").insert(8, "-");
  std::ofstream(path) << fmt::format(
      R"({{"schema":"steadycell-fixture/1","board":{{"uuid":"{}"}},"chip":{{"supply_mV":3300,"timing":{{"mode":4}},"targets":[{{)"
      R"("id_bytes":"EC DC 10 95 54","geometry":{{"page_bytes":2048,"spare_bytes":64,"pages_per_block":64,"blocks":{}}}}}]}}}})",
      uuid, blocks);
  return path;
}

class Board {
 public:
  explicit Board(unsigned number, std::vector<std::string> more = {}, unsigned blocks = 256) : serial(serial_of(number)) {
    std::vector<std::string> arguments{fixture_file(number, blocks), "--vhci", "--faults"};
    arguments.insert(arguments.end(), more.begin(), more.end());
    program_ = std::make_unique<simbench::testing::Program>(arguments);
    expect("plugged in");
  }
  // Switches a fault; the board may say in between that it went.
  void fault(const std::string& line) {
    if (program_->told(line) != "ok") expect("ok");
  }
  void expect(const std::string& words) {
    for (int i = 0; i < 4; ++i)
      if (program_->line() == words) return;
    ADD_FAILURE() << "the board did not say: " << words << "\n" << (program_->terminate(), program_->errors());
  }
  const std::string serial;

 private:
  std::unique_ptr<simbench::testing::Program> program_;
};

}  // namespace steadycell::vm
