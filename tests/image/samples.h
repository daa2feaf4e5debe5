#pragma once
#include <string>

#include "base/bits.h"
#include "base/bytes.h"
#include "image/block_hashes.h"
#include "image/corrections.h"
#include "image/manifest.h"
#include "image/margins.h"
#include "image/verdict.h"

namespace steadycell::image {

// A small chip: 3 pages a block, blocks 1 and 4..5 covered.
inline Geometry small_geometry() {
  Geometry g;
  g.page_bytes = 16;
  g.spare_bytes = 2;
  g.pages_per_block = 3;
  g.blocks = 8;
  return g;
}

inline std::vector<LunCoverage> small_coverage() {
  return {{{0, 0}, "pages.raw", {{1, 1}, {4, 2}}}};
}

// Every file of a bundle of small_geometry(), made the way a settler makes it.
struct SmallBundle {
  Bytes pages, corrections, margins, block_hashes;
  std::string verdicts;
  Manifest manifest;
};

inline Manifest sample_manifest() {
  Manifest m;
  m.geometry = small_geometry();
  m.identity = {{0, {0xEC, 0xDC, 0x10}, {0x4F, 0x4E, 0x46, 0x49}, "invented maker", "invented model", "onfi"}};
  m.capture_uuid = "00112233-4455-6677-8899-aabbccddeeff";
  m.journal_head = Sha256::of(as_bytes("journal"));
  m.scheme = *json::parse(R"({"schema": "steadycell-ecc/1", "code": "bch", "m": 13, "t": 4})");
  m.conditions = {{3300, "mode 0", 0, "about 21 C", 5}};
  m.coverage = small_coverage();
  m.not_read = {"one-time-programmable area", "unique ID"};
  m.raw_bit_error_rate = 0.00025;
  m.notes = {"the file system cannot sync a directory"};
  m.version = "1.2.3";
  m.build = "abc";
  return m;
}

inline SmallBundle small_bundle() {
  SmallBundle b;
  b.manifest = sample_manifest();
  const Geometry g = b.manifest.geometry;
  const auto coverage = CoverageMap::make(g, b.manifest.coverage);
  CorrectionsWriter corrections(g.pages_per_block);
  MarginsWriter margins(g.raw_page_bytes(), g.pages_per_block);
  BlockHasher hasher(g.pages_per_block);
  margins.begin(b.margins);
  b.verdicts = std::string(kVerdictHeader) + "\n";
  for (std::uint64_t i = 0; i < coverage->pages(); ++i) {
    Bytes best(g.raw_page_bytes(), static_cast<std::uint8_t>(i * 7));
    Bytes voted = best;
    PageVerdict v;
    v.page = coverage->page_at(i)->page;
    v.verdict = static_cast<Verdict>(i % kVerdicts);
    if (v.verdict == Verdict::corrected) {
      voted[3] ^= 0x10;
      v.corrected_bits = 1;
    }
    if (v.verdict == Verdict::confirmed || v.verdict == Verdict::corrected) {
      v.by = By::code;
      v.false_odds = 2.5e-9;
    }
    Bytes against(2 * g.raw_page_bytes(), 0);
    if (v.verdict == Verdict::doubtful) {
      against[5] = 0x01;
      v.unstable_bits = 1;
      v.cause = Cause::weak_cells;
    }
    Bytes difference = voted;
    xor_into(difference, best);
    corrections.add_page(difference, b.corrections);
    margins.add_page({5, 2, against}, b.margins);
    hasher.add_page(best, b.block_hashes);
    b.pages.insert(b.pages.end(), best.begin(), best.end());
    append_line(v, b.verdicts);
    b.manifest.summary.add(v);
  }
  const auto entry = [](std::string_view name, ByteSpan bytes) {
    return FileEntry{std::string(name), bytes.size(), Sha256::of(bytes)};
  };
  b.manifest.files = {entry("pages.raw", b.pages), entry(kCorrectionsName, b.corrections),
                      entry(kVerdictsName, as_bytes(b.verdicts)), entry(kMarginsName, b.margins),
                      entry(kBlockHashesName, b.block_hashes)};
  return b;
}

}  // namespace steadycell::image
