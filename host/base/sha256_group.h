#pragma once
#include <algorithm>
#include <cstdint>
#include <memory>
#include <span>
#include <vector>

#include "base/sha256.h"

namespace steadycell {

// SHA-256 (FIPS 180-4) of up to three messages that grow side by side. The SHA instructions of a processor wait for their
// own results, so that three messages take little more than half the time of one after the other; libcrypto has no public
// way to do that. Without these instructions libcrypto hashes one after the other.
class Sha256Group {
 public:
  static constexpr std::size_t kMost = 3;

  explicit Sha256Group(std::size_t messages);  // 1 to kMost
  ~Sha256Group();
  Sha256Group(Sha256Group&&) noexcept;
  Sha256Group& operator=(Sha256Group&&) noexcept;

  // Adds pieces[i], of any length, to message i; one piece for each message.
  void update(std::span<const ByteSpan> pieces);
  // The digest of message `i` so far; that message starts anew.
  Digest finish(std::size_t i);

  // Of so many messages, how many to hash side by side first: none is left alone where it need not be.
  static constexpr std::size_t together(std::size_t messages) { return messages == 4 ? 2 : std::min(messages, kMost); }
  // digests[i] becomes that of messages[i]; any number of messages.
  static void of_each(std::span<const ByteSpan> messages, std::span<Digest> digests);

 private:
  struct Message;
  std::vector<Message> by_instructions_;
  std::vector<Sha256> by_library_;
};

}  // namespace steadycell
