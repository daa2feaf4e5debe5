#include "base/sha256.h"

#include <openssl/evp.h>

#include <algorithm>

#include "base/no_memory.h"

namespace steadycell {
namespace {

// Looked up as the program starts: a look-up for which libcrypto gets no memory ends in a null pointer of its own.
EVP_MD* const algorithm = EVP_MD_fetch(nullptr, "SHA256", nullptr);

// SHA-256 over bytes in memory fails for lack of memory alone.
void must(int ok) {
  if (ok != 1) no_memory();
}

}  // namespace

struct Sha256::Context {
  EVP_MD_CTX* evp = EVP_MD_CTX_new();
  Context() {
    if (evp == nullptr) no_memory();
    start();
  }
  ~Context() { EVP_MD_CTX_free(evp); }
  Context(const Context&) = delete;
  Context& operator=(const Context&) = delete;
  void start() { must(EVP_DigestInit_ex(evp, algorithm, nullptr)); }
};

Sha256::Sha256() : context_(std::make_unique<Context>()) {}
Sha256::~Sha256() = default;
Sha256::Sha256(Sha256&&) noexcept = default;
Sha256& Sha256::operator=(Sha256&&) noexcept = default;

void Sha256::update(ByteSpan bytes) { must(EVP_DigestUpdate(context_->evp, bytes.data(), bytes.size())); }

Digest Sha256::finish() {
  Digest digest{};
  must(EVP_DigestFinal_ex(context_->evp, digest.data(), nullptr));
  context_->start();
  return digest;
}

Digest Sha256::of(ByteSpan bytes) {
  Sha256 hash;
  hash.update(bytes);
  return hash.finish();
}

std::string to_text(const Digest& digest) { return hex(digest); }

std::optional<Digest> parse_digest(std::string_view text) {
  if (text.size() != 64) return std::nullopt;
  const auto bytes = parse_hex(text);
  if (!bytes || bytes->size() != 32) return std::nullopt;
  Digest digest{};
  std::copy(bytes->begin(), bytes->end(), digest.begin());
  return digest;
}

}  // namespace steadycell
