#pragma once
#include <gtest/gtest.h>
#include <zlib.h>

#include <stdexcept>
#include <string>

#include "base/bytes.h"
#include "ecc/scheme.h"

namespace steadycell::ecc {

// A file under tests/data, gunzipped when it is compressed.
inline Bytes test_file(const std::string& name) {
  gzFile file = gzopen((std::string(STEADYCELL_TEST_DATA) + "/" + name).c_str(), "rb");
  if (file == nullptr) throw std::runtime_error("cannot open test data " + name);
  Bytes bytes, piece(1 << 16);
  for (int got = 0; (got = gzread(file, piece.data(), static_cast<unsigned>(piece.size()))) > 0;)
    bytes.insert(bytes.end(), piece.begin(), piece.begin() + got);
  gzclose(file);
  return bytes;
}

inline Scheme test_scheme(const std::string& name) {
  auto scheme = parse_scheme(as_text(test_file("schemes/" + name + ".json")));
  if (!scheme) throw std::runtime_error(scheme.error().text());
  return std::move(*scheme);
}

}  // namespace steadycell::ecc
