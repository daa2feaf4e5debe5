#pragma once
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <string>

namespace steadycell::testing {

// A system of our own: the files that a real one would have, under the folder root_.
class OwnSystem : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string pattern = (std::filesystem::temp_directory_path() / "steadycell-system-XXXXXX").string();
    ASSERT_NE(mkdtemp(pattern.data()), nullptr);
    root_ = pattern;
  }
  void TearDown() override { std::filesystem::remove_all(root_); }
  void write(const std::string& path, const std::string& text) {
    std::filesystem::create_directories(std::filesystem::path(root_ + path).parent_path());
    std::ofstream(root_ + path) << text;
  }
  std::string root_;
};

}  // namespace steadycell::testing
