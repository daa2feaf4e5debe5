#pragma once
#include <array>
#include <memory>
#include <string>

#include "base/bytes.h"

namespace steadycell {

using Digest = std::array<std::uint8_t, 32>;

// SHA-256 (FIPS 180-4) over bytes given piece by piece; libcrypto computes.
class Sha256 {
 public:
  Sha256();
  ~Sha256();
  Sha256(Sha256&&) noexcept;
  Sha256& operator=(Sha256&&) noexcept;

  void update(ByteSpan bytes);
  // The digest of everything so far; the hasher starts anew.
  Digest finish();

  static Digest of(ByteSpan bytes);

 private:
  struct Context;
  std::unique_ptr<Context> context_;
};

std::string to_text(const Digest& digest);  // 64 lower-case hex digits
std::optional<Digest> parse_digest(std::string_view text);

}  // namespace steadycell
