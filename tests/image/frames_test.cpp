// corrections.xor.zst and margins.bin.
#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>
#include <zstd.h>

#include "base/bits.h"
#include "image/corrections.h"
#include "image/margins.h"
#include "image/samples.h"

namespace steadycell::image {
namespace {

constexpr std::uint32_t kRaw = 40, kPages = 3;

Result<std::vector<Bytes>> read_corrections(ByteSpan file, std::uint64_t pages, std::size_t piece = 1 << 20) {
  CorrectionsReader reader(kRaw, kPages);
  std::vector<Bytes> out;
  const CorrectionsReader::Sink sink = [&](std::uint64_t page, ByteSpan xored) -> Result<void> {
    EXPECT_EQ(page, out.size());
    out.emplace_back(xored.begin(), xored.end());
    return {};
  };
  while (!file.empty()) {
    const std::size_t step = std::min(piece, file.size());
    if (auto fed = reader.feed(file.first(step), sink); !fed) return failure(fed.error());
    file = file.subspan(step);
  }
  if (auto done = reader.finish(pages); !done) return failure(done.error());
  return out;
}

Bytes plain_decode(ByteSpan file, std::size_t room) {
  Bytes out(room);
  out.resize(ZSTD_decompress(out.data(), out.size(), file.data(), file.size()));
  return out;
}

RC_GTEST_PROP(Corrections, GiveTheVoteBackFromTheBest, ()) {
  CorrectionsWriter writer(kPages);
  std::vector<Bytes> best, voted;
  Bytes file;
  const auto blocks = *rc::gen::inRange<std::size_t>(0, 4);
  for (std::size_t i = 0; i < blocks * kPages; ++i) {
    best.push_back(*rc::gen::container<Bytes>(kRaw, rc::gen::arbitrary<std::uint8_t>()));
    voted.push_back(*rc::gen::container<Bytes>(kRaw, rc::gen::arbitrary<std::uint8_t>()));
    Bytes difference = voted[i];
    xor_into(difference, best[i]);
    writer.add_page(difference, file);
  }
  RC_ASSERT(writer.complete());
  const auto read = read_corrections(file, best.size(), *rc::gen::inRange<std::size_t>(1, 60));
  RC_ASSERT(read.has_value());
  RC_ASSERT(read->size() == best.size());
  for (std::size_t i = 0; i < best.size(); ++i)
    for (std::size_t b = 0; b < kRaw; ++b) RC_ASSERT((best[i][b] ^ (*read)[i][b]) == voted[i][b]);
}

Bytes three_blocks() {
  CorrectionsWriter writer(kPages);
  Bytes file;
  for (std::uint8_t i = 0; i < 3 * kPages; ++i) writer.add_page(Bytes(kRaw, i), file);
  return file;
}

TEST(Corrections, FileIsPlainZstdWithOneFrameABlock) {
  const Bytes file = three_blocks();
  const Bytes pages = plain_decode(file, 4096);
  ASSERT_EQ(pages.size(), 9u * kRaw);
  for (std::size_t i = 0; i < 9; ++i) EXPECT_EQ(pages[i * kRaw], i);
  std::size_t frames = 0;
  for (ByteSpan rest(file); !rest.empty(); ++frames)
    rest = rest.subspan(ZSTD_findFrameCompressedSize(rest.data(), rest.size()));
  EXPECT_EQ(frames, 3u);
}

TEST(Corrections, CutFileIsNamedAsSuchAtEveryByte) {
  const Bytes file = three_blocks();
  ASSERT_TRUE(read_corrections(file, 9));
  for (std::size_t length = 0; length < file.size(); ++length) {
    const auto read = read_corrections(ByteSpan(file).first(length), 9);
    ASSERT_FALSE(read) << length;
    EXPECT_EQ(read.error().code(), ErrorCode::file_damaged);
  }
}

TEST(Corrections, NoFlippedBitPassesUnseen) {
  const Bytes good = three_blocks();
  const auto expected = read_corrections(good, 9);
  for (std::size_t bit = 0; bit < good.size() * 8; ++bit) {
    Bytes file = good;
    file[bit / 8] ^= static_cast<std::uint8_t>(1u << bit % 8);
    const auto read = read_corrections(file, 9);
    // A few header bits (reserved or "unused" in RFC 8878) change nothing; then the pages must be the same.
    if (read) {
      EXPECT_EQ(*read, *expected) << bit;
    } else {
      EXPECT_EQ(read.error().code(), ErrorCode::file_damaged);
    }
  }
}

TEST(Corrections, FrameOfAbsurdSizeIsStoppedAfterOneBlock) {
  const Bytes bomb(std::size_t{64} << 20, 0);
  Bytes file(ZSTD_compressBound(bomb.size()));
  file.resize(ZSTD_compress(file.data(), file.size(), bomb.data(), bomb.size(), 3));
  CorrectionsReader reader(kRaw, kPages);
  std::uint64_t pages = 0;
  const auto fed = reader.feed(file, [&](std::uint64_t, ByteSpan) -> Result<void> {
    ++pages;
    return {};
  });
  ASSERT_FALSE(fed);
  EXPECT_NE(fed.error().what().find("more than 3 pages"), std::string::npos) << fed.error().what();
  EXPECT_EQ(pages, kPages);
}

TEST(Corrections, FrameWithAHugeWindowIsRefused) {
  Bytes text(1 << 20, 1);
  ZSTD_CCtx* context = ZSTD_createCCtx();
  ZSTD_CCtx_setParameter(context, ZSTD_c_windowLog, 27);
  ZSTD_CCtx_setParameter(context, ZSTD_c_contentSizeFlag, 0);
  Bytes file(ZSTD_compressBound(text.size()) + 64);
  ZSTD_inBuffer in{text.data(), text.size(), 0};
  ZSTD_outBuffer out{file.data(), file.size(), 0};
  ZSTD_compressStream2(context, &out, &in, ZSTD_e_continue);
  while (ZSTD_compressStream2(context, &out, &in, ZSTD_e_end) != 0) {
  }
  ZSTD_freeCCtx(context);
  file.resize(out.pos);
  EXPECT_FALSE(read_corrections(file, 9));
}

TEST(Corrections, SkippableAndForeignFramesAreRefused) {
  const Bytes skippable{0x50, 0x2A, 0x4D, 0x18, 4, 0, 0, 0, 1, 2, 3, 4};
  EXPECT_FALSE(read_corrections(skippable, 0));
  EXPECT_FALSE(read_corrections(Bytes{'P', 'K', 3, 4, 0, 0}, 0));
}

Result<std::vector<std::pair<std::uint32_t, std::vector<std::uint32_t>>>> read_margins(ByteSpan file,
                                                                                       std::uint64_t pages,
                                                                                       std::size_t piece = 1
                                                                                                           << 20) {
  MarginsReader reader(kRaw, kPages);
  std::vector<std::pair<std::uint32_t, std::vector<std::uint32_t>>> out;
  const MarginsReader::Sink sink = [&](std::uint64_t page, const PageMargins& m) -> Result<void> {
    EXPECT_EQ(page, out.size());
    std::vector<std::uint32_t> against;
    for (std::uint64_t bit = 0; bit < kRaw * 8; ++bit) against.push_back(against_of(m, kRaw, bit));
    out.emplace_back(m.votes, std::move(against));
    return {};
  };
  while (!file.empty()) {
    const std::size_t step = std::min(piece, file.size());
    if (auto fed = reader.feed(file.first(step), sink); !fed) return failure(fed.error());
    file = file.subspan(step);
  }
  if (auto done = reader.finish(pages); !done) return failure(done.error());
  return out;
}

RC_GTEST_PROP(Margins, AgainstCountsReadBackTheSame, ()) {
  MarginsWriter writer(kRaw, kPages);
  Bytes file;
  writer.begin(file);
  std::vector<std::pair<std::uint32_t, std::vector<std::uint32_t>>> expected;
  for (std::uint32_t i = 0; i < 2 * kPages; ++i) {
    const auto votes = *rc::gen::inRange<std::uint32_t>(0, 256);
    const auto counts = *rc::gen::container<std::vector<std::uint32_t>>(
        kRaw * 8, rc::gen::inRange<std::uint32_t>(0, votes / 2 + 1));
    Bytes planes(kMaxMarginPlanes * kRaw, 0);
    for (std::size_t bit = 0; bit < counts.size(); ++bit)
      for (std::uint32_t plane = 0; plane < kMaxMarginPlanes; ++plane)
        planes[plane * kRaw + bit / 8] |= static_cast<std::uint8_t>((counts[bit] >> plane & 1u) << bit % 8);
    writer.add_page({votes, kMaxMarginPlanes, planes}, file);
    expected.emplace_back(votes, counts);
  }
  RC_ASSERT(writer.complete());
  const auto read = read_margins(file, 2 * kPages, *rc::gen::inRange<std::size_t>(1, 200));
  RC_ASSERT(read.has_value());
  RC_ASSERT(*read == expected);
}

Bytes three_steady_pages() {
  MarginsWriter writer(kRaw, kPages);
  Bytes file;
  writer.begin(file);
  for (std::uint32_t i = 0; i < kPages; ++i) writer.add_page({9, 4, Bytes(4 * kRaw, 0)}, file);
  return file;
}

TEST(Margins, FileIsAsDocumentedForAnyZstdDecoder) {
  const Bytes file = three_steady_pages();
  EXPECT_EQ(hex(ByteSpan(file).first(24)), "5c2a4d181000000053434d47010000002800000003000000");
  EXPECT_EQ(plain_decode(file, 4096), (Bytes{9, 0, 9, 0, 9, 0}));  // the skippable header is passed over
}

TEST(Margins, CutFileIsNamedAsSuchAtEveryByte) {
  const Bytes file = three_steady_pages();
  for (std::size_t length = 0; length < file.size(); ++length)
    EXPECT_FALSE(read_margins(ByteSpan(file).first(length), kPages)) << length;
}

TEST(Margins, OtherVersionAndOtherGeometryAreTold) {
  Bytes newer = three_steady_pages();
  newer[12] = 2;
  EXPECT_EQ(read_margins(newer, kPages).error().code(), ErrorCode::version_unknown);
  Bytes other = three_steady_pages();
  other[16] = 41;
  EXPECT_EQ(read_margins(other, kPages).error().code(), ErrorCode::file_damaged);
}

TEST(Margins, ImpossibleCountsAreRefused) {
  for (const Bytes& page : {Bytes{255, 8}, Bytes{3, 2}, Bytes{0, 1}, Bytes{255, 255}}) {
    Bytes file = three_steady_pages();
    file.resize(24);
    PageFrameWriter frames(kPages);
    for (std::uint32_t i = 0; i < kPages; ++i) frames.add_page(page, file);
    const auto read = read_margins(file, kPages);
    ASSERT_FALSE(read);
    EXPECT_NE(read.error().what().find("planes for"), std::string::npos) << read.error().what();
  }
}

}  // namespace
}  // namespace steadycell::image
