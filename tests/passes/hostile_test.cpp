// F-38: captures made to harm. Memory stays bounded whatever headers say, errors are precise, what is whole is still read.
#include <gtest/gtest.h>
#include <malloc.h>
#include <zstd.h>

#include "files/atomic.h"
#include "files/memory_disk.h"
#include "passes/block_passes.h"
#include "passes/codec.h"
#include "passes/layout.h"
#include "passes/sample.h"
#include "steadycell/protocol.h"

namespace steadycell::passes {
namespace {

using files::MemoryDisk;

const std::vector<PageStatus> kAllRead(4, PageStatus::read);

// A capture with blocks 0..3 of passes 1 and 2.
MemoryDisk sample_disk() {
  MemoryDisk disk;
  StillClock clock;
  auto writer = CaptureWriter::create(disk, "c", small_head(), {.tool = "test", .clock = &clock});
  EXPECT_TRUE(writer) << writer.error().text();
  for (std::uint32_t pass = 1; pass <= 2; ++pass)
    for (std::uint32_t block = 0; block < 4; ++block)
      EXPECT_TRUE(writer->append_unit(unit(block, pass), block_content(small_chip(), block, pass, pass == 1 ? 0 : 1e-3), kAllRead));
  EXPECT_TRUE(writer->finish());
  return disk;
}

// A record with a right checksum, whatever it says.
Bytes framed(std::uint16_t type, std::string_view payload, std::uint64_t sequence = 1, std::optional<std::uint32_t> length = std::nullopt) {
  Bytes record(kRecordHeaderBytes + payload.size() + kRecordTrailerBytes);
  const MutableByteSpan at(record);
  std::copy_n("SCJ1", 4, record.begin());
  store_u32(at.subspan(4), length.value_or(static_cast<std::uint32_t>(payload.size())));
  store_u16(at.subspan(8), type);
  store_u64(at.subspan(12), sequence);
  std::copy(payload.begin(), payload.end(), record.begin() + kRecordHeaderBytes);
  store_u32(at.subspan(record.size() - 4), scp_crc32c(0, record.data(), record.size() - 4));
  return record;
}

json::Object unit_payload(const json::Object& changes) {
  json::Object payload{{"target", 0}, {"lun", 0}, {"block", 0}, {"pass", 1}, {"offset", 0}, {"stored", small_chip().block_raw_bytes()},
                       {"codec", 0}, {"sha256", std::string(64, '0')}, {"exceptions", json::Array{}}};
  for (const auto& member : changes) payload[member.key()] = member.value();
  return payload;
}

void append(MemoryDisk& disk, ByteSpan bytes) {
  Bytes journal = disk.content("c/journal");
  journal.insert(journal.end(), bytes.begin(), bytes.end());
  disk.put("c/journal", journal);
}

// A record that follows the one before, whatever it says.
void append_record(MemoryDisk& disk, std::uint16_t type, json::Object payload, std::uint64_t sequence = 1) {
  payload["previous"] = to_text(CaptureReader::open(disk, "c")->contents().head);
  append(disk, framed(type, json::text_of(payload), sequence));
}

std::size_t heap_now() { return mallinfo2().uordblks + mallinfo2().hblkhd; }

TEST(Hostile, F38HeadsWithSizesBeyondAnyChipAreRefusedWithTheKey) {
  const std::string good = head_text(small_head());
  ASSERT_TRUE(parse_head(good));
  const std::pair<std::string, std::string> table[] = {
      {"\"blocks\": 8", "\"blocks\": 0"},
      {"\"blocks\": 8", "\"blocks\": 1048577"},
      {"\"blocks\": 8", "\"blocks\": 4294967295"},
      {"\"blocks\": 8", "\"blocks\": 9223372036854775808"},
      {"\"blocks\": 8", "\"blocks\": 1e300"},
      {"\"blocks\": 8", "\"blocks\": 8.5"},
      {"\"blocks\": 8", "\"blocks\": \"8\""},
      {"\"page_bytes\": 512", "\"page_bytes\": 0"},
      {"\"page_bytes\": 512", "\"page_bytes\": 2147483648"},
      {"\"spare_bytes\": 16", "\"spare_bytes\": 32769"},
      {"\"pages_per_block\": 4", "\"pages_per_block\": 0"},
      {"\"pages_per_block\": 4", "\"pages_per_block\": 8193"},
      {"\"pages_per_block\": 4", "\"pages_per_block\": -1"},
      {"\"luns\": 1", "\"luns\": 17"},
      {"\"bus_bits\": 8", "\"bus_bits\": 12"},
      {"\"target\": 0", "\"target\": 16"},
      {"\"id_bytes\": \"ec76a5c0\"", "\"id_bytes\": \"ec7\""},
      {"\"uuid\"", "\"uuuid\""},
      {"\"timing\"", "\"unknown\": 1, \"timing\""},
      {"steadycell-capture/2", "something-else/1"},
  };
  for (const auto& [from, to] : table) {
    std::string text = good;
    ASSERT_NE(text.find(from), std::string::npos) << from;
    text.replace(text.find(from), from.size(), to);
    const auto head = parse_head(text);
    ASSERT_FALSE(head) << to;
    EXPECT_EQ(head.error().code(), ErrorCode::bad_input_file) << to;
  }
  // Each number is possible, their product is not: a unit would not fit memory.
  CaptureHead big = small_head();
  big.geometry.page_bytes = 65536;
  big.geometry.pages_per_block = 8192;
  EXPECT_FALSE(parse_head(head_text(big)));
  CaptureHead twice = small_head();
  twice.targets.push_back(twice.targets[0]);
  EXPECT_FALSE(parse_head(head_text(twice)));
}

TEST(Hostile, F38EveryPrefixAndEveryFlippedBitOfAHeadIsReadOrRefused) {
  const std::string good = head_text(small_head());
  for (std::size_t cut = 0; cut + 2 < good.size(); ++cut) EXPECT_FALSE(parse_head(std::string_view(good).substr(0, cut))) << cut;
  for (std::size_t bit = 0; bit < good.size() * 8; ++bit) {
    std::string text = good;
    text[bit / 8] = static_cast<char>(text[bit / 8] ^ (1 << bit % 8));
    (void)parse_head(text);
  }
}

TEST(Hostile, F38RecordsThatSayWhatCannotBeAreDamageAndTheRestIsRead) {
  const json::Object table[] = {
      {{"block", 8}},
      {{"block", -1}},
      {{"block", 18446744073709551615ull}},
      {{"pass", 0}},
      {{"pass", 256}},
      {{"target", 1}},
      {{"target", 16}},
      {{"lun", 1}},
      {{"offset", -1}},
      {{"offset", 9223372036854775808ull}},
      {{"stored", 9223372036854775808ull}},
      {{"stored", 1}},
      {{"codec", 3}},
      {{"codec", 1}},
      {{"codec", 2}},
      {{"sha256", "00"}},
      {{"sha256", nullptr}},
      {{"exceptions", nullptr}},
      {{"exceptions", json::Array{json::Value(json::Array{0, 5, 1})}}},
      {{"exceptions", json::Array{json::Value(json::Array{4294967295u, 1, 1})}}},
      {{"exceptions", json::Array{json::Value(json::Array{0, 1, 4})}}},
      {{"exceptions", json::Array{json::Value(json::Array{0, 1, 0})}}},
      {{"exceptions", json::Array{json::Array{1, 1, 1}, json::Array{0, 1, 1}}}},
      {{"exceptions", json::Array{json::Value(json::Array{0, 1})}}},
      {{"busy_not_seen", json::Array{json::Value(json::Array{3, 2})}}},
      {{"repeated_page_reads", -1}},
  };
  for (const json::Object& changes : table) {
    MemoryDisk disk = sample_disk();
    const std::uint64_t at = disk.content("c/journal").size();
    append_record(disk, 2, unit_payload(changes));
    const auto reader = CaptureReader::open(disk, "c");
    ASSERT_TRUE(reader) << json::text_of(changes);
    ASSERT_EQ(reader->contents().damages.size(), 1u) << json::text_of(changes);
    EXPECT_EQ(reader->contents().damages[0].offset, at);
    EXPECT_FALSE(reader->contents().damages[0].why.empty());
    EXPECT_EQ(reader->units().count(), 8u);
  }
}

TEST(Hostile, F38RecordsBeyondTheFileOrOfUnknownTypesNeverStopTheReader) {
  {
    MemoryDisk disk = sample_disk();
    append(disk, framed(5, "{}", 1, 0xFFFF'FFFF));
    append(disk, framed(5, "{}", 1, kMaxPayloadBytes));
    const auto reader = CaptureReader::open(disk, "c");
    ASSERT_TRUE(reader);
    EXPECT_EQ(reader->units().count(), 8u);
    EXPECT_EQ(reader->contents().torn_bytes, 52u);
  }
  {
    MemoryDisk disk = sample_disk();
    append_record(disk, 999, {{"later", true}}, ~std::uint64_t{0});
    append_record(disk, 4, {{"pass", 70000}});
    append_record(disk, 6, {{"units", 7}});
    append_record(disk, 6, {{"units", json::Array{7, json::Object{}, json::Object{{"target", 0}, {"lun", 0}, {"block", 0}, {"pass", 1}}}}});
    append(disk, framed(5, "[]"));
    append(disk, framed(5, std::string(5000, '[')));
    const auto reader = CaptureReader::open(disk, "c");
    ASSERT_TRUE(reader);
    EXPECT_EQ(reader->units().count(), 7u);
    EXPECT_EQ(reader->contents().damages.size(), 2u);
    EXPECT_TRUE(reader->contents().chain_whole);
    EXPECT_GT(reader->contents().torn_bytes, 5000u);
  }
  {
    // Left by a longer journal, it seems: behind what is known to be on the medium, what does not follow is no record.
    MemoryDisk disk = sample_disk();
    const Bytes stranger = framed(6, "{\"units\": [{\"target\": 0, \"lun\": 0, \"block\": 0, \"pass\": 1}]}");
    append(disk, stranger);
    const auto reader = CaptureReader::open(disk, "c");
    ASSERT_TRUE(reader);
    EXPECT_EQ(reader->units().count(), 8u);
    EXPECT_EQ(reader->contents().torn_bytes, stranger.size());
    EXPECT_TRUE(reader->contents().chain_whole);
  }
}

// A record cut out neatly leaves no broken frame: the chain shows it.
TEST(Hostile, ARecordTakenOutOfTheJournalBreaksTheChainAtThatPlace) {
  const MemoryDisk whole = sample_disk();
  MemoryDisk disk = sample_disk();
  auto file = disk.open_read("c/journal");
  JournalReader journal(**file, *(*file)->size());
  std::vector<Record> records;
  for (auto next = journal.next(); next && *next; next = journal.next()) records.push_back(**next);
  for (std::size_t taken = 0; taken + 1 < records.size(); ++taken) {
    Bytes bytes = whole.content("c/journal");
    const auto from = bytes.begin() + static_cast<std::ptrdiff_t>(records[taken].offset);
    bytes.erase(from, from + static_cast<std::ptrdiff_t>(records[taken].bytes));
    disk.put("c/journal", bytes);
    const auto reader = CaptureReader::open(disk, "c");
    ASSERT_TRUE(reader);
    EXPECT_FALSE(reader->contents().chain_whole) << taken;
    EXPECT_EQ(reader->contents().chain_break, records[taken].offset) << taken;
  }
}

// A journal full of starts of records that claim a mebibyte each, all of which would have to be tried: 350 GB to read.
TEST(Hostile, F38AJournalFullOfLiesIsReadInBoundedMemoryAndEffort) {
  MemoryDisk disk = sample_disk();
  Bytes lies;
  const Bytes lie = framed(5, "", 1, kMaxPayloadBytes - 100);
  while (lies.size() < (4 << 20)) lies.insert(lies.end(), lie.begin(), lie.begin() + 12);
  append(disk, lies);
  const std::size_t before = heap_now();
  const std::uint64_t calls = disk.calls();
  const auto reader = CaptureReader::open(disk, "c");
  ASSERT_TRUE(reader);
  EXPECT_EQ(reader->units().count(), 8u);
  EXPECT_EQ(reader->contents().torn_bytes, lies.size());
  EXPECT_LT(heap_now() - before, std::size_t{64} << 20);
  EXPECT_LT(disk.calls() - calls, 200u);  // each lie that is tried costs one read
}

TEST(Hostile, F38UnitsScatteredOverTheLargestChipStayInBoundedMemory) {
  CaptureHead head = small_head();
  head.geometry.blocks = kMaxBlocks;
  head.geometry.luns = 16;
  for (std::uint8_t target = 1; target < 16; ++target) {
    head.targets.push_back(head.targets[0]);
    head.targets.back().target = target;
  }
  ASSERT_TRUE(parse_head(head_text(head)));
  const std::size_t before = heap_now();
  UnitIndex index(head.geometry, head.targets);
  std::uint64_t held = 0, refused = 0;
  for (std::uint32_t i = 0; i < 300'000; ++i) {
    const UnitAddress scattered{
        {static_cast<std::uint8_t>(i % 16), static_cast<std::uint8_t>(i / 16 % 16)}, {i / 256 * 128 % kMaxBlocks}, 1 + i % 255};
    if (index.has(scattered)) continue;
    (index.put(scattered, i) ? held : refused) += 1;
  }
  EXPECT_GT(refused, 0u);
  EXPECT_EQ(index.count(), held);
  EXPECT_LT(heap_now() - before, std::size_t{56} << 20);
}

TEST(Hostile, AnHonestIndexTakesAFewBytesAUnit) {
  Geometry geometry = small_chip();
  geometry.blocks = 8192;
  const CaptureHead head = small_head(geometry);
  const std::size_t before = heap_now();
  UnitIndex index(geometry, head.targets);
  for (std::uint32_t pass = 1; pass <= 20; ++pass)
    for (std::uint32_t block = 0; block < geometry.blocks; ++block) ASSERT_TRUE(index.put(unit(block, pass), block));
  EXPECT_LT(heap_now() - before, index.count() * 6);
}

TEST(Hostile, F38FramesThatGrowOrCrawlAreRefused) {
  UnitCodec codec;
  const std::size_t unit_bytes = small_chip().block_raw_bytes();
  Bytes out(unit_bytes);
  Codec how = Codec::difference;
  const auto unpack = [&](ByteSpan frame) {
    const UnitCodec::ReadAt of_frame = [&](std::uint64_t at, MutableByteSpan piece) -> Result<void> {
      std::copy_n(frame.begin() + static_cast<std::ptrdiff_t>(at), piece.size(), piece.begin());
      return {};
    };
    return codec.unpack(
        {.codec = how, .bytes = frame.size(), .read = of_frame},
        [&](std::uint64_t, MutableByteSpan piece) -> Result<void> {
          std::fill(piece.begin(), piece.end(), std::uint8_t{0});
          return {};
        },
        out);
  };
  const auto frame_of = [](std::size_t bytes, int window_log) {
    Bytes frame(ZSTD_compressBound(bytes));
    ZSTD_CCtx* const context = ZSTD_createCCtx();
    if (window_log > 0) ZSTD_CCtx_setParameter(context, ZSTD_c_windowLog, window_log);
    frame.resize(ZSTD_compress2(context, frame.data(), frame.size(), Bytes(bytes).data(), bytes));
    ZSTD_freeCCtx(context);
    return frame;
  };
  const Bytes good = frame_of(unit_bytes, 0);
  ASSERT_TRUE(unpack(good));
  EXPECT_FALSE(unpack(frame_of(unit_bytes + 1, 0)));
  EXPECT_FALSE(unpack(frame_of(unit_bytes - 1, 0)));
  EXPECT_FALSE(unpack(frame_of(std::size_t{64} << 20, 0)));  // 64 MiB out of a few kilobytes
  EXPECT_FALSE(unpack(frame_of(std::size_t{32} << 20, 25)));
  Bytes twice = good;
  twice.insert(twice.end(), good.begin(), good.end());
  EXPECT_FALSE(unpack(twice));
  EXPECT_FALSE(unpack({}));
  // RFC 8878, 3.1.1.1: a window of 2^41 bytes and a content size of 2^63, by hand.
  const Bytes absurd{0x28, 0xB5, 0x2F, 0xFD, 0xC0, 0xF8, 0, 0, 0, 0, 0, 0, 0, 0x80, 0x01, 0x00, 0x00};
  const std::size_t before = heap_now();
  EXPECT_FALSE(unpack(absurd));
  EXPECT_LT(heap_now() - before, std::size_t{1} << 20);
  for (std::size_t cut = 0; cut < good.size(); ++cut) EXPECT_FALSE(unpack(ByteSpan(good).first(cut))) << cut;

  // As lists of changes: none of these frames is one, and none is unpacked beyond the longest list.
  how = Codec::changes;
  for (const ByteSpan frame : {ByteSpan(good), ByteSpan(absurd), ByteSpan(twice)}) EXPECT_FALSE(unpack(frame));
  const std::size_t before_lists = heap_now();
  EXPECT_FALSE(unpack(frame_of(std::size_t{64} << 20, 0)));
  EXPECT_LT(heap_now() - before_lists, std::size_t{1} << 20);
}

// A frame of exactly this list.
Bytes frame_of_list(ByteSpan list) {
  Bytes frame(ZSTD_compressBound(list.size()));
  frame.resize(ZSTD_compress(frame.data(), frame.size(), list.data(), list.size(), 1));
  return frame;
}

TEST(Hostile, F38ListsOfChangesThatNoWriterMakesAreRefused) {
  UnitCodec codec;
  const std::size_t unit_bytes = small_chip().block_raw_bytes();
  // A run up to the last byte, with 16 behind it.
  const auto last = static_cast<std::uint8_t>(0x80 | (unit_bytes - 1 - 16 * 128)), over = static_cast<std::uint8_t>(last + 1);
  ASSERT_LT(unit_bytes - 1 - 16 * 128, 0x7FU);
  const Bytes good{last, 16, 0x01}, beyond{over, 16, 0x01};
  const std::pair<std::string, Bytes> bad[] = {{"beyond the block", beyond},
                                               {"one more behind the last byte", {last, 16, 0x01, 0, 0x01}},
                                               {"cut in a run", {0x80}},
                                               {"cut behind a run", {5}},
                                               {"changes nothing", {5, 0}},
                                               {"a run written too long", {0x85, 0x00, 1}},
                                               {"a run without an end", {0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0, 1}},
                                               {"a run beyond any block", {0xFF, 0xFF, 0xFF, 0xFF, 0x7F, 1}}};
  const auto unpack = [&](ByteSpan frame) {
    const UnitCodec::ReadAt of_frame = [&](std::uint64_t at, MutableByteSpan piece) -> Result<void> {
      std::copy_n(frame.begin() + static_cast<std::ptrdiff_t>(at), piece.size(), piece.begin());
      return {};
    };
    Bytes out(unit_bytes);
    const Result<void> got = codec.unpack({.codec = Codec::changes, .bytes = frame.size(), .read = of_frame}, Bytes(unit_bytes), out);
    EXPECT_EQ(got ? 1 : 0, got && out.back() == 1);
    if (!got) {
      EXPECT_EQ(got.error().code(), ErrorCode::file_damaged);
    }
    return got.has_value();
  };
  const auto in_pages = [&](ByteSpan frame) {
    DifferenceStream stream;
    Result<void> got = stream.begin(Codec::changes, frame, unit_bytes);
    Bytes page(small_chip().raw_page_bytes());
    for (std::uint32_t i = 0; got && i < 4; ++i) got = stream.next(page, i == 3);
    if (!got) {
      EXPECT_EQ(got.error().code(), ErrorCode::file_damaged);
    }
    return got.has_value();
  };
  EXPECT_TRUE(unpack(frame_of_list(good)));
  EXPECT_TRUE(in_pages(frame_of_list(good)));
  for (const auto& [what, list] : bad) {
    EXPECT_FALSE(unpack(frame_of_list(list))) << what;
    EXPECT_FALSE(in_pages(frame_of_list(list))) << what;
  }
  Bytes followed = frame_of_list(good);
  followed.push_back(0);
  EXPECT_FALSE(unpack(followed));
  EXPECT_FALSE(in_pages(followed));
  const Bytes whole = frame_of_list(good);
  for (std::size_t cut = 0; cut < whole.size(); ++cut) {
    EXPECT_FALSE(unpack(ByteSpan(whole).first(cut))) << cut;
    EXPECT_FALSE(in_pages(ByteSpan(whole).first(cut))) << cut;
  }
  Bytes many;  // as long as a list can be that says no more than one byte each
  for (std::size_t i = 0; i < most_change_bytes(unit_bytes) / 2; ++i) many.insert(many.end(), {0, 1});
  EXPECT_TRUE(in_pages(frame_of_list(many)));
  many.insert(many.end(), {0, 1});
  EXPECT_FALSE(in_pages(frame_of_list(many))) << "longer than any list of ours";
}

TEST(Hostile, F38EveryFlippedByteOfAPassFileIsNoticedAndNamed) {
  const MemoryDisk whole = sample_disk();
  for (const std::uint32_t pass : {1u, 2u}) {
    const std::string name = "c/" + pass_name(pass);
    const Bytes good = whole.content(name);
    for (std::size_t at = 0; at < good.size(); at += pass == 1 ? 17 : 1) {
      MemoryDisk disk = sample_disk();
      Bytes bad = good;
      bad[at] ^= 0x40;
      disk.put(name, bad);
      auto reader = CaptureReader::open(disk, "c");
      Bytes raw(small_chip().block_raw_bytes());
      std::vector<PageStatus> status(4);
      unsigned wrong = 0;
      for (std::uint32_t block = 0; block < 4; ++block) {
        const auto read = reader->read_unit(unit(block, pass), raw, status);
        if (read) {
          EXPECT_EQ(raw, block_content(small_chip(), block, pass, pass == 1 ? 0 : 1e-3));
        } else {
          ++wrong;
          EXPECT_EQ(read.error().code(), ErrorCode::file_damaged);
          EXPECT_NE(read.error().text().find(fmt::format("block {}", block)), std::string::npos);
          EXPECT_NE(read.error().text().find(pass_name(pass)), std::string::npos);
        }
      }
      // zstd leaves some bits of a frame without meaning: then the content is right all the same.
      if (pass == 1) {
        EXPECT_EQ(wrong, 1u) << at;
      } else {
        EXPECT_LE(wrong, 1u) << at;
      }
    }
  }
}

// A journal that names the hash of a frame which is none of ours: refused, or said when its page comes.
TEST(Hostile, F38FramesThatMatchTheirHashAndNotTheirBlock) {
  const std::size_t block = small_chip().block_raw_bytes();
  const auto frame_of = [](std::size_t bytes, int window_log = 0) {
    Bytes content(bytes), frame(ZSTD_compressBound(bytes));
    for (std::size_t i = 0; i < bytes; i += 997) content[i] = 1;
    ZSTD_CCtx* const context = ZSTD_createCCtx();
    if (window_log > 0) ZSTD_CCtx_setParameter(context, ZSTD_c_windowLog, window_log);
    ZSTD_outBuffer out{frame.data(), frame.size(), 0};
    ZSTD_inBuffer in{content.data(), content.size(), 0};
    while (ZSTD_compressStream2(context, &out, &in, ZSTD_e_end) != 0) continue;  // the size of its content is not in it
    ZSTD_freeCCtx(context);
    frame.resize(out.pos);
    return frame;
  };
  Bytes followed = frame_of(block), cut = frame_of(block);
  followed.insert(followed.end(), 5, std::uint8_t{0});
  cut.resize(cut.size() - 3);
  const std::pair<std::string, Bytes> frames[] = {{"shorter", frame_of(block - 1)},
                                                  {"longer", frame_of(block + 1)},
                                                  {"much longer", frame_of(4 << 20)},
                                                  {"followed", followed},
                                                  {"cut", cut},
                                                  {"empty", frame_of(0)},
                                                  {"none", Bytes(50, 0x28)},
                                                  {"nothing", Bytes()},
                                                  {"two", [&] {
                                                     Bytes two = frame_of(block / 2);
                                                     const Bytes second = frame_of(block / 2);
                                                     two.insert(two.end(), second.begin(), second.end());
                                                     return two;
                                                   }()}};
  std::size_t begun_ones = 0;
  for (const auto& [what, frame] : frames) {
    MemoryDisk disk = sample_disk();
    Bytes pass_2 = disk.content("c/pass-0002.dat");
    const std::size_t offset = pass_2.size();
    pass_2.insert(pass_2.end(), frame.begin(), frame.end());
    disk.put("c/pass-0002.dat", pass_2);
    const std::string hash = to_text(difference_digest(CaptureReader::open(disk, "c")->facts(unit(0, 1))->sha256, frame));
    append_record(disk, 2,
                  unit_payload({{"pass", 2}, {"offset", offset}, {"stored", frame.size()}, {"codec", 1}, {"difference_sha256", hash}}));
    auto reader = CaptureReader::open(disk, "c");
    ASSERT_TRUE(reader) << what;
    BlockPasses passes(*reader, 8 << 20);
    const std::size_t heap = heap_now();
    const bool begun = passes.begin(std::vector{unit(0, 1), unit(0, 2)});
    begun_ones += begun ? 1 : 0;
    ByteSpan pages[2];
    Result<void> got;
    for (std::uint32_t page = 0; begun && got && page < 4; ++page) got = passes.page(page, pages);
    EXPECT_TRUE(!begun || !got) << what;
    if (!got) {
      EXPECT_EQ(got.error().code(), ErrorCode::file_damaged) << what;
      EXPECT_NE(got.error().what().find("block 0 of target 0, LUN 0, pass 2"), std::string::npos) << got.error().what();
    }
    EXPECT_LT(heap_now(), heap + (1 << 20)) << what;
  }
  EXPECT_GE(begun_ones, 3U) << "their hashes are right";
}

}  // namespace
}  // namespace steadycell::passes
