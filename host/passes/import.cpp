#include "passes/import.h"

#include <algorithm>
#include <array>
#include <optional>

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

Result<CaptureWriter> new_capture(files::FileSystem& system, const ImportRequest& request, const CaptureHead& head,
                                  std::uint64_t bytes) {
  if (const auto free = files::check_free(system, request.folder); !free) return failure(free.error());
  // Later passes are stored as differences; how small is not known yet.
  const std::array<files::RoomPart, 2> parts{{{"the first pass", bytes}, {"the journal", files::kReserveBytes}}};
  if (const auto room = files::require_free(system, files::parent_of(request.folder), parts); !room)
    return failure(room.error());
  return CaptureWriter::create(system, request.folder, head, {.tool = request.tool});
}

// The capture that is there, only read: opening it for writing would change it, and it may be refused yet.
Result<CaptureReader> capture_there(files::FileSystem& system, const ImportRequest& request,
                                    const CaptureHead& head) {
  auto reader = CaptureReader::open(system, request.folder);
  if (!reader && reader.error().code() == ErrorCode::not_found)
    return failure(ErrorCode::already_exists, "{} exists and is no capture", printable(request.folder));
  if (reader && reader->head().origin != head.origin)
    return failure(Error(ErrorCode::already_exists,
                         fmt::format("{} was read from a chip; passes read elsewhere are not mixed into it", printable(request.folder)))
                       .keeping("it is untouched")
                       .advising("give --into a new folder"));
  if (reader && reader->head().geometry != head.geometry)
    return failure(Error(ErrorCode::already_exists,
                         fmt::format("{} is another capture: its pages, blocks or their number differ", printable(request.folder)))
                       .keeping("it is untouched")
                       .advising("give the sizes and files that it was made with, or --into a new folder"));
  return reader;
}

class Importer {
 public:
  Importer(files::FileSystem& system, const ImportRequest& request, const Hooks& hooks, Sources sources,
           CaptureHead head)
      : system_(system),
        request_(request),
        hooks_(hooks),
        sources_(std::move(sources)),
        head_(std::move(head)),
        geometry_(head_.geometry),
        raw_(geometry_.block_raw_bytes()),
        status_(geometry_.pages_per_block) {}

  Result<ImportSummary> run() {
    const auto exists = system_.exists(request_.folder);
    if (!exists) return failure(exists.error());
    if (*exists) {
      auto there = capture_there(system_, request_, head_);
      if (!there) return failure(there.error());
      const auto missing = compare_with(*there);
      if (!missing) return failure(missing.error());
      if (*missing == 0 && there->contents().in_order() && all_sealed(there->contents())) return summary(*there);
      there_.emplace(std::move(*there));
    }
    auto writer = *exists ? CaptureWriter::open(system_, request_.folder, {.tool = request_.tool})
                          : new_capture(system_, request_, head_, sources_.bytes);
    if (!writer) return failure(writer.error());
    if (const auto added = add_missing(*writer); !added) return failure(added.error());
    const auto closed = writer->finish();
    if (!closed) return failure(closed.error());
    return summary(writer->reader());
  }

 private:
  // Compares the files with all that the capture holds, before anything is added to it; returns how many blocks
  // are missing.
  Result<std::uint64_t> compare_with(CaptureReader& there) {
    std::uint64_t missing = 0;
    for (std::uint32_t pass = 1; pass <= sources_.files.size(); ++pass)
      for (std::uint32_t block = 0; block < geometry_.blocks; ++block) {
        const UnitAddress unit{{0, 0}, {block}, pass};
        if (!there.units().has(unit)) {
          ++missing;
          continue;
        }
        if (hooks_.stopped())
          return failure(
              Error(ErrorCode::interrupted, "the import was stopped").keeping("the capture is as it was"));
        if (const auto same = compare(there, unit); !same) return failure(same.error());
        tell(block);
      }
    return missing;
  }

  Result<void> add_missing(CaptureWriter& writer) {
    for (std::uint32_t pass = 1; pass <= sources_.files.size(); ++pass) {
      const std::uint64_t added_before = units_added_;
      for (std::uint32_t block = 0; block < geometry_.blocks; ++block) {
        const UnitAddress unit{{0, 0}, {block}, pass};
        const bool compared = there_ && there_->units().has(unit);
        if (compared && writer.units().has(unit)) continue;
        if (hooks_.stopped()) return interrupted(writer);
        // A unit that opening took back is added again; one that came meanwhile is another program's.
        if (auto taken = writer.units().has(unit) ? compare(writer.reader(), unit) : add(writer, unit);
            !taken)
          return taken;
        if (!compared) tell(block);
      }
      if (units_added_ == added_before && writer.contents().sealed(pass)) continue;
      // The name without its folders: where it lay says nothing about the bytes, and may say too much about the person.
      const std::string& name = request_.files[pass - 1];
      auto noted = writer.note({{"event", "import"},
                                      {"pass", pass},
                                      {"file", printable(name.substr(name.find_last_of('/') + 1))},
                                      {"bytes", sources_.bytes}});
      if (!noted) return noted;
      if (auto seal = writer.seal_pass(pass); !seal) return seal;
    }
    return {};
  }

  bool all_sealed(const Contents& contents) const {
    for (std::uint32_t pass = 1; pass <= sources_.files.size(); ++pass)
      if (!contents.sealed(pass)) return false;
    return true;
  }

  std::uint64_t bytes_of(std::uint32_t block) const {
    return std::min<std::uint64_t>(raw_.size(), sources_.bytes - geometry_.block_raw_bytes() * block);
  }

  // The file's block into raw_ and status_.
  Result<void> load(UnitAddress unit) {
    const auto there = static_cast<std::size_t>(bytes_of(unit.block.index));
    const auto got = sources_.files[unit.pass - 1]->read_at(geometry_.block_raw_bytes() * unit.block.index,
                                                            MutableByteSpan(raw_).first(there));
    if (!got) return failure(got.error());
    if (*got != there)
      return failure(ErrorCode::bad_input_file, "{} became shorter while it was read",
                     printable(request_.files[unit.pass - 1]));
    std::fill(raw_.begin() + static_cast<std::ptrdiff_t>(there), raw_.end(), std::uint8_t{0xFF});
    const auto read = static_cast<std::ptrdiff_t>(there / geometry_.raw_page_bytes());
    std::fill(status_.begin(), status_.begin() + read, PageStatus::read);
    std::fill(status_.begin() + read, status_.end(), PageStatus::not_read);
    return {};
  }

  Result<void> add(CaptureWriter& writer, UnitAddress unit) {
    if (auto loaded = load(unit); !loaded) return loaded;
    ++units_added_;
    return writer.append_unit(unit, raw_, status_);
  }

  Result<void> compare(CaptureReader& reader, UnitAddress unit) {
    if (auto loaded = load(unit); !loaded) return loaded;
    const auto facts = reader.facts(unit);
    if (!facts) return failure(facts.error());
    if (facts->sha256 == Sha256::of(raw_)) return {};
    return failure(
        Error(ErrorCode::mismatched_capture,
              fmt::format("block {} of {} is not what pass {} of {} holds", unit.block.index,
                          printable(request_.files[unit.pass - 1]), unit.pass, printable(request_.folder)))
            .keeping("the capture is as it was")
            .advising("give the same files in the same order, further passes behind them, or another capture"));
  }

  void tell(std::uint32_t block) {
    done_bytes_ += bytes_of(block);
    hooks_.tell(done_bytes_, total_bytes(), done_bytes_);
  }
  std::uint64_t total_bytes() const { return sources_.bytes * sources_.files.size(); }

  Result<void> interrupted(CaptureWriter& writer) const {
    if (auto synced = writer.sync(); !synced) return synced;
    return failure(
        Error(ErrorCode::interrupted, "the import was stopped")
            .keeping(fmt::format("{} of all passes safe in {}", counted(writer.acknowledged(), "block"), printable(request_.folder)))
            .advising("run the same command again: it goes on at the first block that is missing"));
  }

  Result<bool> equal(CaptureReader& capture, std::uint32_t pass, std::uint32_t earlier) const {
    for (std::uint32_t block = 0; block < geometry_.blocks; ++block) {
      const auto one = capture.facts({{0, 0}, {block}, pass}), other = capture.facts({{0, 0}, {block}, earlier});
      if (!one) return failure(one.error());
      if (!other) return failure(other.error());
      if (one->sha256 != other->sha256) return false;
    }
    return true;
  }

  Result<std::vector<EqualPasses>> equal_passes(CaptureReader& capture) const {
    std::vector<EqualPasses> out;
    std::vector<std::uint32_t> different;  // no two of them are equal
    std::vector<std::uint32_t> passes = capture.contents().sealed_passes;
    std::sort(passes.begin(), passes.end());
    for (const std::uint32_t pass : passes) {
      const std::size_t before = out.size();
      for (const std::uint32_t earlier : different) {
        const auto same = equal(capture, pass, earlier);
        if (!same) return failure(same.error());
        if (!*same) continue;
        out.push_back({.pass = pass, .earlier = earlier});
        break;
      }
      if (out.size() == before) different.push_back(pass);
    }
    return out;
  }

  Result<ImportSummary> summary(CaptureReader& capture) const {
    ImportSummary out;
    out.capture_uuid = capture.head().uuid;
    out.passes = static_cast<std::uint32_t>(sources_.files.size());
    out.passes_held = static_cast<std::uint32_t>(capture.contents().sealed_passes.size());
    auto equal = equal_passes(capture);
    if (!equal) return failure(equal.error());
    out.equal = std::move(*equal);
    auto without = units_without_bytes(system_, request_.folder, capture, {0, geometry_.blocks - 1}, out.passes);
    if (!without) return failure(without.error());
    out.without_bytes = std::move(*without);
    out.blocks = geometry_.blocks;
    out.pages_missing_at_end =
        static_cast<std::uint32_t>(geometry_.pages_per_lun() - sources_.bytes / geometry_.raw_page_bytes());
    out.bytes = total_bytes();
    out.units_added = units_added_;
    return out;
  }

  files::FileSystem& system_;
  const ImportRequest& request_;
  const Hooks& hooks_;
  Sources sources_;
  const CaptureHead head_;  // of the capture to make
  const Geometry geometry_;
  std::optional<CaptureReader> there_;  // as the capture was before anything was added
  Bytes raw_;
  std::vector<PageStatus> status_;
  std::uint64_t done_bytes_ = 0, units_added_ = 0;
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
  auto head = head_for(request, sources->bytes / (std::uint64_t{request.page_bytes} + request.spare_bytes));
  if (!head) return failure(head.error());
  return Importer(system, request, hooks, std::move(*sources), std::move(*head)).run();
}

}  // namespace steadycell::passes
