#include "base/sha256_group.h"

#include <gtest/gtest.h>

#include <array>
#include <random>

// Source of what is right: FIPS 180-4 by libcrypto (class Sha256), and NIST's example messages.
namespace steadycell {
namespace {

Bytes random_bytes(std::size_t count, std::mt19937& random) {
  Bytes bytes(count);
  for (std::uint8_t& byte : bytes) byte = static_cast<std::uint8_t>(random());
  return bytes;
}

// FIPS 180-4 example messages as NIST publishes them for SHA-256 (from memory, agreed by libcrypto).
TEST(Sha256Group, GivesThePublishedDigestsSideBySide) {
  const std::array<ByteSpan, 3> messages = {as_bytes("abc"), ByteSpan(),
                                            as_bytes("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq")};
  std::array<Digest, 3> digests;
  Sha256Group::of_each(messages, digests);
  EXPECT_EQ(to_text(digests[0]), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  EXPECT_EQ(to_text(digests[1]), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
  EXPECT_EQ(to_text(digests[2]), "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
}

TEST(Sha256Group, IsLibcryptosForEveryLengthAroundABlock) {
  std::mt19937 random(1);
  const Bytes bytes = random_bytes(400, random);
  for (std::size_t length = 0; length < 200; ++length) {
    const std::array<ByteSpan, 3> messages = {ByteSpan(bytes).first(length), ByteSpan(bytes).subspan(1, length),
                                              ByteSpan(bytes).subspan(2, 199 - length)};
    std::array<Digest, 3> digests;
    Sha256Group::of_each(messages, digests);
    for (std::size_t i = 0; i < 3; ++i) ASSERT_EQ(digests[i], Sha256::of(messages[i])) << length << ", " << i;
  }
}

TEST(Sha256Group, TakesPiecesOfAnyLengthAndEachMessageStartsAnewByItself) {
  std::mt19937 random(2);
  for (std::size_t messages = 1; messages <= Sha256Group::kMost; ++messages) {
    Sha256Group group(messages);
    std::array<Sha256, Sha256Group::kMost> expected;
    for (int round = 0; round < 2000; ++round) {
      std::array<Bytes, Sha256Group::kMost> pieces;
      std::array<ByteSpan, Sha256Group::kMost> spans;
      for (std::size_t i = 0; i < messages; ++i) {
        pieces[i] = random_bytes(random() % (random() % 8 == 0 ? 700 : 70), random);
        spans[i] = pieces[i];
        expected[i].update(pieces[i]);
      }
      group.update(std::span(spans).first(messages));
      const std::size_t done = random() % (2 * messages);
      if (done < messages) {
        ASSERT_EQ(group.finish(done), expected[done].finish()) << messages << ", " << round;
      }
    }
  }
}

TEST(Sha256Group, HashesAnyNumberOfMessages) {
  std::mt19937 random(3);
  std::vector<Bytes> bytes;
  std::vector<ByteSpan> messages;
  for (std::size_t i = 0; i < 12; ++i) bytes.push_back(random_bytes(5000 + random() % 9, random));
  for (std::size_t count = 0; count <= bytes.size(); ++count) {
    messages.assign(bytes.begin(), bytes.begin() + static_cast<std::ptrdiff_t>(count));
    std::vector<Digest> digests(count);
    Sha256Group::of_each(messages, digests);
    for (std::size_t i = 0; i < count; ++i) ASSERT_EQ(digests[i], Sha256::of(messages[i])) << i << " of " << count;
  }
}

}  // namespace
}  // namespace steadycell
