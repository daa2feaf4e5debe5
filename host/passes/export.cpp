#include "passes/export.h"

#include "base/text.h"
#include "files/atomic.h"
#include "passes/capture.h"
#include "passes/layout.h"

namespace steadycell::passes {
namespace {

std::vector<ExportedRun> runs_of(const CaptureReader& reader, std::uint32_t pass) {
  std::vector<ExportedRun> runs;
  const Geometry& geometry = reader.head().geometry;
  for (const TargetIdentity& target : reader.head().targets)
    for (std::uint32_t lun = 0; lun < geometry.luns; ++lun) {
      const UnitPlace place{.target = target.target, .lun = static_cast<std::uint8_t>(lun)};
      bool in_run = false;
      for (std::uint32_t block = 0; block < geometry.blocks; ++block) {
        const bool held = reader.units().has({place, {block}, pass});
        if (held && !in_run) runs.push_back({.place = place, .first = {block}, .count = 0});
        if (held) ++runs.back().count;
        in_run = held;
      }
    }
  return runs;
}

std::vector<ExportedRun> gaps_between(const std::vector<ExportedRun>& runs) {
  std::vector<ExportedRun> gaps;
  for (std::size_t i = 1; i < runs.size(); ++i) {
    const std::uint32_t end = runs[i - 1].first.index + runs[i - 1].count;
    if (runs[i].place == runs[i - 1].place) gaps.push_back({.place = runs[i].place, .first = {end}, .count = runs[i].first.index - end});
  }
  return gaps;
}

}  // namespace

Result<ExportedPass> export_pass(files::FileSystem& system, const std::string& folder, std::uint32_t pass,
                                 const std::function<Result<void>(ByteSpan)>& sink, const Hooks& hooks) {
  auto reader = CaptureReader::open(system, folder);
  if (!reader) return failure(reader.error());
  ExportedPass out;
  out.coverage = runs_of(*reader, pass);
  if (reader->units().count() == 0)
    return failure(Error(ErrorCode::not_found, fmt::format("{} holds no unit of any pass", printable(folder)))
                       .advising("read or import a pass into it first; where it had some, steadycell capture verify tells what is left"));
  if (out.coverage.empty())
    return failure(
        Error(ErrorCode::not_found, fmt::format("{} holds no block of pass {}", printable(folder), pass))
            .advising(fmt::format("its passes are 1 to {}{}", reader->units().passes(),
                                  reader->contents().journal_whole()
                                      ? ""
                                      : "; its journal is damaged, and steadycell capture verify tells what it no longer names")));
  const Contents& contents = reader->contents();
  out.missing = gaps_between(out.coverage);
  out.sealed = contents.sealed(pass);
  out.journal_whole = contents.journal_whole();
  std::uint64_t total = 0;
  for (const ExportedRun& run : out.coverage) total += run.count;

  const Geometry& geometry = reader->head().geometry;
  Bytes raw(geometry.block_raw_bytes());
  std::vector<PageStatus> status(geometry.pages_per_block);
  Sha256 hash;
  for (const ExportedRun& run : out.coverage)
    for (std::uint32_t i = 0; i < run.count; ++i) {
      if (hooks.stopped()) return failure(ErrorCode::interrupted, "the export was stopped");
      if (const auto read = reader->read_unit({run.place, {run.first.index + i}, pass}, raw, status); !read) return failure(read.error());
      hash.update(raw);
      if (const auto taken = sink(raw); !taken) return failure(taken.error());
      out.pages_not_read += pages_not_read(status);
      ++out.blocks;
      out.pages += geometry.pages_per_block;
      out.bytes += raw.size();
      hooks.tell(out.blocks, total, out.bytes);
    }
  out.sha256 = hash.finish();
  return out;
}

Result<ExportedPass> export_pass_to(files::FileSystem& system, const std::string& folder, std::uint32_t pass, const std::string& to,
                                    const Hooks& hooks) {
  auto file = files::AtomicFile::create(system, to);
  if (!file) return failure(file.error());
  auto exported = export_pass(system, folder, pass, [&](ByteSpan bytes) { return file->append(bytes); }, hooks);
  if (!exported) return exported;
  if (const auto committed = file->commit(); !committed) return failure(committed.error());
  return exported;
}

}  // namespace steadycell::passes
