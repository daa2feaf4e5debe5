#pragma once
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>

#include "firmware_protocol/frames.h"

// The frozen bytes of firmware_protocol/vectors.
namespace frames {

inline std::filesystem::path vectors_folder() {
  return std::filesystem::path(STEADYCELL_SOURCE_DIR) / "firmware_protocol" / "vectors";
}

// name is relative to the folder, without its ending.
inline Bytes load_vector(const std::string& name) {
  std::ifstream file(vectors_folder() / (name + ".hex"));
  EXPECT_TRUE(file) << name;
  Bytes bytes;
  for (std::string line; std::getline(file, line);) {
    if (line.starts_with('#')) continue;
    std::istringstream words(line);
    for (std::string word; words >> word;) bytes.push_back(static_cast<std::uint8_t>(std::stoul(word, nullptr, 16)));
  }
  return bytes;
}

}  // namespace frames
