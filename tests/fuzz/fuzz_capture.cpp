// A capture from strangers, on a disk in memory: the first byte says which file the rest replaces or is appended to. Whatever
// comes: opening, reading every unit, whole and page by page, and going on end, nothing is written outside the folder, and a unit
// that is read has the hash that the journal names.
#include <algorithm>
#include <memory>

#include "base/bits.h"
#include "files/memory_disk.h"
#include "passes/block_passes.h"
#include "passes/sample.h"
#include "steadycell/protocol.h"

using namespace steadycell;
using namespace steadycell::passes;

namespace {

void expect(bool holds) {
  if (!holds) __builtin_trap();
}

Geometry chip() {
  Geometry g = small_chip();
  g.pages_per_block = 2;
  g.blocks = 2;
  return g;
}

// A whole capture: two blocks, two passes.
struct Sample {
  Bytes head, journal, first, second;
};
const Sample& sample() {
  static const Sample made = [] {
    files::MemoryDisk disk;
    StillClock clock;
    const std::vector<PageStatus> status(chip().pages_per_block, PageStatus::read);
    {
      auto writer = CaptureWriter::create(disk, "c", small_head(chip()), {.tool = "fuzz", .clock = &clock});
      expect(writer.has_value());
      for (std::uint32_t pass = 1; pass <= 2; ++pass)
        for (std::uint32_t block = 0; block < chip().blocks; ++block)
          expect(writer->append_unit(unit(block, pass), block_content(chip(), block, pass, pass == 1 ? 0 : 1e-3), status).has_value());
      expect(writer->finish().has_value());
    }
    return Sample{disk.content("c/capture.json"), disk.content("c/journal"), disk.content("c/pass-0001.dat"),
                  disk.content("c/pass-0002.dat")};
  }();
  return made;
}

// Frames `payload` as a record whose checksum is right, so that what it says is looked at.
Bytes framed(std::uint8_t type, ByteSpan payload) {
  Bytes record(20 + payload.size() + 4);
  const MutableByteSpan at(record);
  std::copy_n("SCJ1", 4, record.begin());
  store_u32(at.subspan(4), static_cast<std::uint32_t>(payload.size()));
  store_u16(at.subspan(8), type);
  std::copy(payload.begin(), payload.end(), record.begin() + 20);
  store_u32(at.subspan(record.size() - 4), scp_crc32c(0, record.data(), record.size() - 4));
  return record;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 4) return 0;
  const Sample& whole = sample();
  Bytes head = whole.head, journal = whole.journal, first = whole.first, second = whole.second;
  const ByteSpan input(data + 4, size - 4);
  const auto overwrite = [&](Bytes& file) {
    const std::size_t at = load_u16(ByteSpan(data + 2, 2)) % (file.size() + 1);
    file.resize(std::max(file.size(), at + input.size()));
    std::copy(input.begin(), input.end(), file.begin() + static_cast<std::ptrdiff_t>(at));
    if (data[1] & 1) file.resize(at + input.size());
  };
  switch (data[0] % 6) {
    case 0: head.assign(input.begin(), input.end()); break;
    case 1: overwrite(head); break;
    case 2: overwrite(journal); break;
    case 3: overwrite(first); break;
    case 4: overwrite(second); break;
    default: {
      const Bytes record = framed(data[1] % 9, input);
      journal.insert(journal.end(), record.begin(), record.end());
    }
  }
  files::MemoryDisk disk;
  expect(disk.make_directory("c").has_value());
  disk.put("c/capture.json", head);
  disk.put("c/journal", journal);
  disk.put("c/pass-0001.dat", first);
  disk.put("c/pass-0002.dat", second);

  auto reader = CaptureReader::open(disk, "c");
  if (!reader) return 0;
  const Geometry& geometry = reader->head().geometry;
  if (geometry.block_raw_bytes() > (1 << 20)) return 0;  // a possible chip, only slow to fuzz
  Bytes raw(geometry.block_raw_bytes());
  std::vector<PageStatus> status(geometry.pages_per_block);
  const std::uint32_t blocks = std::min(geometry.blocks, 8u);
  for (std::uint32_t pass = 1; pass <= std::min(reader->units().passes(), 8u); ++pass)
    for (std::uint32_t block = 0; block < blocks; ++block)
      if (reader->read_unit(unit(block, pass), raw, status)) expect(Sha256::of(raw) == reader->facts(unit(block, pass))->sha256);
  (void)reader->page_reads({0, 0});
  // Page by page: whatever the journal says, a unit that is right by its own hash comes as that.
  BlockPasses passes(*reader, 8 << 20);
  for (std::uint32_t block = 0; block < blocks; ++block) {
    std::vector<UnitAddress> units;
    for (std::uint32_t pass = 1; pass <= std::min(reader->units().passes(), 8u); ++pass)
      if (reader->units().has(unit(block, pass))) units.push_back(unit(block, pass));
    if (!passes.begin(units)) continue;
    if (block + 1 < blocks) passes.expect(unit(block + 1, 1));
    std::vector<Bytes> as_pages(units.size());
    std::vector<ByteSpan> pages(units.size());
    bool all = true;
    for (std::uint32_t page = 0; all && page < geometry.pages_per_block; ++page) {
      all = passes.page(page, pages).has_value();
      for (std::size_t i = 0; all && i < units.size(); ++i) as_pages[i].insert(as_pages[i].end(), pages[i].begin(), pages[i].end());
    }
    for (std::size_t i = 0; all && i < units.size(); ++i) {
      if (i > 0) xor_into(as_pages[i], as_pages[0]);
      if (reader->read_unit(units[i], raw, status)) expect(as_pages[i] == raw);
    }
  }

  disk.set_room(4 << 20);  // a hostile offset makes a sparse file on a real disk; here it must not fill the memory
  StillClock clock;
  auto writer = CaptureWriter::open(disk, "c", {.tool = "fuzz", .clock = &clock});
  if (writer) {
    const UnitAddress fresh = unit(blocks - 1, 3);
    if (writer->units().contains(fresh) && !writer->units().has(fresh)) {
      std::fill(raw.begin(), raw.end(), std::uint8_t{0xA5});
      std::fill(status.begin(), status.end(), PageStatus::read);
      if (writer->append_unit(fresh, raw, status)) {
        Bytes back(raw.size());
        expect(writer->reader().read_unit(fresh, back, status).has_value() && back == raw);
      }
    }
    (void)writer->finish();
  }
  expect(disk.names(".") == std::vector<std::string>{"c"});
  return 0;
}
