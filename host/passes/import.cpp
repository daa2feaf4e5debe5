#include "passes/import.h"

#include <algorithm>
#include <array>

#include "base/text.h"
#include "files/atomic.h"
#include "files/space.h"
#include "passes/capture.h"

namespace steadycell::passes {
namespace {

// The raw files, open and alike.
struct Sources {
  std::vector<std::unique_ptr<files::File>> files;
  std::uint64_t bytes = 0;  // of each
};

// Where a file that is no whole number of pages probably came from another geometry, or lost its end.
std::string nearest_fit(std::uint64_t bytes, std::uint64_t page) {
  const std::uint64_t whole = bytes / page;
  if (whole == 0) return fmt::format("one page has {} bytes", page);
  return fmt::format("{} pages of {} bytes are {}, {} bytes are over", whole, page, whole * page, bytes - whole * page);
}

Result<Sources> open_sources(files::FileSystem& system, const ImportRequest& request) {
  if (request.files.empty()) return failure(ErrorCode::wrong_usage, "no passes to import");
  if (request.files.size() > UnitIndex::kMaxPass)
    return failure(ErrorCode::wrong_usage, "{} passes, at most {} are possible", request.files.size(), UnitIndex::kMaxPass);
  const std::uint64_t page = std::uint64_t{request.page_bytes} + request.spare_bytes;
  Sources sources;
  for (std::size_t i = 0; i < request.files.size(); ++i) {
    const std::string& name = request.files[i];
    if (std::find(request.files.begin(), request.files.begin() + static_cast<std::ptrdiff_t>(i), name) !=
        request.files.begin() + static_cast<std::ptrdiff_t>(i))
      return failure(Error(ErrorCode::wrong_usage, fmt::format("{} is given twice", printable(name)))
                         .advising("give each pass once: one read counted twice proves nothing"));
    auto file = system.open_read(name);
    if (!file) return failure(file.error());
    const auto size = (*file)->size();
    if (!size) return failure(size.error());
    if (*size == 0) return failure(ErrorCode::bad_input_file, "{} is empty", printable(name));
    if (*size % page != 0)
      return failure(Error(ErrorCode::bad_input_file,
                           fmt::format("{} has {} bytes, no whole number of pages: {}", printable(name), *size, nearest_fit(*size, page)))
                         .advising("check --page-bytes and --spare-bytes, and whether the file is complete"));
    if (i > 0 && *size != sources.bytes)
      return failure(
          Error(ErrorCode::bad_input_file, fmt::format("{} has {} bytes ({} pages), {} has {} ({} pages)", printable(name), *size,
                                                       *size / page, printable(request.files[0]), sources.bytes, sources.bytes / page))
              .advising("passes over the same chip have one length; leave the odd one out"));
    sources.bytes = *size;
    sources.files.push_back(std::move(*file));
  }
  return sources;
}

Result<CaptureHead> head_for(const ImportRequest& request, std::uint64_t pages) {
  CaptureHead head;
  head.uuid = make_uuid();
  head.origin = "import";
  head.geometry.page_bytes = request.page_bytes;
  head.geometry.spare_bytes = request.spare_bytes;
  head.geometry.pages_per_block = request.pages_per_block;
  const std::uint64_t blocks = (pages + request.pages_per_block - 1) / request.pages_per_block;
  if (blocks > kMaxBlocks)
    return failure(Error(ErrorCode::bad_input_file, fmt::format("{} has {} blocks of {} pages, at most {} are possible",
                                                                printable(request.files[0]), blocks, request.pages_per_block, kMaxBlocks))
                       .advising("check --pages-per-block"));
  head.geometry.blocks = static_cast<std::uint32_t>(blocks);
  head.targets.push_back({.target = 0, .id_bytes = {}, .parameter_page = {}, .maker = "", .model = "", .source = "given by hand"});
  head.tool = request.tool;
  return head;
}

Result<CaptureWriter> open_capture(files::FileSystem& system, const ImportRequest& request, const CaptureHead& head, std::uint64_t bytes) {
  const auto there = system.exists(request.folder);
  if (!there) return failure(there.error());
  const WriterOptions options{.tool = request.tool};
  if (!*there) {
    if (const auto free = files::check_free(system, request.folder); !free) return failure(free.error());
    // Later passes are stored as differences; how small is not known yet.
    const std::array<files::RoomPart, 2> parts{{{"the first pass", bytes}, {"the journal", files::kReserveBytes}}};
    if (const auto room = files::require_free(system, files::parent_of(request.folder), parts); !room) return failure(room.error());
    return CaptureWriter::create(system, request.folder, head, options);
  }
  auto writer = CaptureWriter::open(system, request.folder, options);
  if (!writer && writer.error().code() == ErrorCode::not_found)
    return failure(ErrorCode::already_exists, "{} exists and is no capture", printable(request.folder));
  if (writer && (writer->head().origin != head.origin || writer->head().geometry != head.geometry))
    return failure(
        Error(ErrorCode::already_exists, fmt::format("{} is another capture", printable(request.folder))).keeping("it is untouched"));
  return writer;
}

class Importer {
 public:
  Importer(const ImportRequest& request, const Hooks& hooks, Sources sources, CaptureWriter writer)
      : request_(request), hooks_(hooks), sources_(std::move(sources)), writer_(std::move(writer)), geometry_(writer_.head().geometry),
        raw_(geometry_.block_raw_bytes()), status_(geometry_.pages_per_block) {}

  Result<ImportSummary> run() {
    const std::uint64_t total = sources_.bytes * sources_.files.size();
    for (std::uint32_t pass = 1; pass <= sources_.files.size(); ++pass) {
      const std::uint64_t added_before = summary_.units_added;
      for (std::uint32_t block = 0; block < geometry_.blocks; ++block) {
        if (hooks_.stopped()) return interrupted();
        if (const auto taken = take_block(pass, block); !taken) return failure(taken.error());
        hooks_.tell(summary_.bytes, total, summary_.bytes);
      }
      const auto& sealed = writer_.contents().sealed_passes;
      if (summary_.units_added == added_before && std::find(sealed.begin(), sealed.end(), pass) != sealed.end()) continue;
      // The name without its folders: where it lay says nothing about the bytes, and may say too much about the person.
      const std::string& name = request_.files[pass - 1];
      const auto noted = writer_.note(
          {{"event", "import"}, {"pass", pass}, {"file", printable(name.substr(name.find_last_of('/') + 1))}, {"bytes", sources_.bytes}});
      if (!noted) return failure(noted.error());
      if (const auto seal = writer_.seal_pass(pass); !seal) return failure(seal.error());
    }
    const auto head = writer_.finish();
    if (!head) return failure(head.error());
    summary_.capture_uuid = writer_.head().uuid;
    summary_.passes = static_cast<std::uint32_t>(sources_.files.size());
    summary_.blocks = geometry_.blocks;
    summary_.pages_missing_at_end = static_cast<std::uint32_t>(geometry_.pages_per_lun() - sources_.bytes / geometry_.raw_page_bytes());
    return summary_;
  }

 private:
  Result<void> take_block(std::uint32_t pass, std::uint32_t block) {
    const std::uint64_t at = geometry_.block_raw_bytes() * block;
    const auto there = static_cast<std::size_t>(std::min<std::uint64_t>(raw_.size(), sources_.bytes - at));
    const auto got = sources_.files[pass - 1]->read_at(at, MutableByteSpan(raw_).first(there));
    if (!got) return failure(got.error());
    if (*got != there)
      return failure(ErrorCode::bad_input_file, "{} became shorter while it was read", printable(request_.files[pass - 1]));
    std::fill(raw_.begin() + static_cast<std::ptrdiff_t>(there), raw_.end(), std::uint8_t{0xFF});
    const auto read = static_cast<std::ptrdiff_t>(there / geometry_.raw_page_bytes());
    std::fill(status_.begin(), status_.begin() + read, PageStatus::read);
    std::fill(status_.begin() + read, status_.end(), PageStatus::not_read);
    summary_.bytes += there;

    const UnitAddress unit{{0, 0}, {block}, pass};
    if (!writer_.units().has(unit)) {
      ++summary_.units_added;
      return writer_.append_unit(unit, raw_, status_);
    }
    const auto facts = writer_.reader().facts(unit);
    if (!facts) return failure(facts.error());
    if (facts->sha256 == Sha256::of(raw_)) return {};
    return failure(Error(ErrorCode::mismatched_capture, fmt::format("block {} of {} is not what pass {} of {} holds", block,
                                                                    printable(request_.files[pass - 1]), pass, printable(request_.folder)))
                       .keeping("the capture is as it was")
                       .advising("give the same files in the same order, further passes behind them, or another capture"));
  }

  Result<ImportSummary> interrupted() {
    if (const auto synced = writer_.sync(); !synced) return failure(synced.error());
    return failure(Error(ErrorCode::interrupted, "the import was stopped")
                       .keeping(fmt::format("{} blocks of all passes are in {}", writer_.acknowledged(), printable(request_.folder))));
  }

  const ImportRequest& request_;
  const Hooks& hooks_;
  Sources sources_;
  CaptureWriter writer_;
  const Geometry geometry_;
  Bytes raw_;
  std::vector<PageStatus> status_;
  ImportSummary summary_;
};

}  // namespace

Result<ImportSummary> import_passes(files::FileSystem& system, const ImportRequest& request, const Hooks& hooks) {
  Geometry probe;
  probe.page_bytes = request.page_bytes;
  probe.spare_bytes = request.spare_bytes;
  probe.pages_per_block = request.pages_per_block;
  probe.blocks = 1;
  if (const auto possible = check_geometry(probe); !possible)
    return failure(Error(ErrorCode::wrong_usage, possible.error().what()).advising("give the sizes of the chip that was read"));
  auto sources = open_sources(system, request);
  if (!sources) return failure(sources.error());
  const auto head = head_for(request, sources->bytes / (std::uint64_t{request.page_bytes} + request.spare_bytes));
  if (!head) return failure(head.error());
  auto writer = open_capture(system, request, *head, sources->bytes);
  if (!writer) return failure(writer.error());
  return Importer(request, hooks, std::move(*sources), std::move(*writer)).run();
}

}  // namespace steadycell::passes
