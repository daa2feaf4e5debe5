#include <algorithm>

#include "files/atomic.h"
#include "files/folder_kind.h"
#include "settle/bundle_writer.h"
#include "settle/image_files.h"
#include "settle/image_reader.h"

namespace steadycell::settle {
namespace {

constexpr std::uint64_t kMaxSumsBytes = std::uint64_t{1} << 20;
constexpr std::size_t kRunsInMessage = 8;

// Hashes block after block of a pages file while the whole file goes by.
class BlockByBlock {
 public:
  explicit BlockByBlock(std::uint64_t block_bytes) : block_bytes_(block_bytes) {}

  void update(ByteSpan piece) {
    while (!piece.empty()) {
      const std::size_t part = std::min<std::uint64_t>(piece.size(), block_bytes_ - in_block_);
      hash_.update(piece.first(part));
      piece = piece.subspan(part);
      in_block_ += part;
      if (in_block_ == block_bytes_) end_block();
    }
  }
  // The digests of exactly `blocks` blocks; what the file lacks counts as zeros, what it has too much is left out.
  Bytes finish(std::uint64_t blocks) {
    digests_.resize(blocks * sizeof(Digest));
    return std::move(digests_);
  }

 private:
  void end_block() {
    const Digest digest = hash_.finish();
    digests_.insert(digests_.end(), digest.begin(), digest.end());
    in_block_ = 0;
  }

  Sha256 hash_;
  std::uint64_t block_bytes_, in_block_ = 0;
  Bytes digests_;
};

class Verifier {
 public:
  Verifier(files::FileSystem& system, const ImageReader& reader, const Hooks& hooks)
      : system_(&system), reader_(&reader), hooks_(&hooks) {
    const image::Manifest& manifest = reader.manifest();
    for (const image::FileEntry& file : manifest.files) progress_.total += file.bytes;
    progress_.stage = "verifying";
    progress_.total = blocks_of(progress_.total);
  }

  Result<Verification> run(const std::string& manifest_text) {
    if (const auto checked = check_sums(manifest_text); !checked) return failure(checked.error());
    result_.files = 1;
    result_.bytes = manifest_text.size();
    for (const image::FileEntry& file : reader_->manifest().files) {
      const auto& luns = reader_->coverage().luns();
      const auto lun = std::find_if(luns.begin(), luns.end(), [&](const auto& l) { return l.file == file.name; });
      BlockByBlock blocks(reader_->manifest().geometry.block_raw_bytes());
      if (const auto done = check(file, lun != luns.end() ? &blocks : nullptr); !done) return failure(done.error());
      if (lun == luns.end()) continue;
      const Bytes digests = blocks.finish(lun->blocks());
      block_digests_.insert(block_digests_.end(), digests.begin(), digests.end());
    }
    name_pages();
    return std::move(result_);
  }

 private:
  void problem(std::string file, std::string what) { result_.problems.push_back({std::move(file), std::move(what)}); }

  std::uint64_t blocks_of(std::uint64_t bytes) const { return bytes / reader_->manifest().geometry.block_raw_bytes(); }

  Result<void> check_sums(const std::string& manifest_text) {
    const std::string name(kSumsName);
    const auto sums = files::read_text(*system_, files::join(reader_->folder(), name), kMaxSumsBytes);
    if (!sums && sums.error().code() == ErrorCode::not_found) {
      problem(name, "missing");
      return {};
    }
    if (!sums) return failure(sums.error());
    if (*sums != sums_text(reader_->manifest().files, Sha256::of(as_bytes(manifest_text)))) {
      problem(name, "does not agree with manifest.json: one of them was changed");
    }
    return {};
  }

  Result<void> check(const image::FileEntry& entry, BlockByBlock* blocks) {
    ++result_.files;
    auto file = reader_->open_file(entry.name);
    if (!file && file.error().code() == ErrorCode::not_found) {
      problem(entry.name, "missing");
      return {};
    }
    if (!file) return failure(file.error());
    Sha256 hash;
    std::uint64_t bytes = 0;
    auto read = for_each_piece(**file, [&](ByteSpan piece) -> Result<void> {
      if (auto on = hooks_->go_on(progress_.stage); !on) return on;
      hash.update(piece);
      bytes += piece.size();
      if (blocks != nullptr) blocks->update(piece);
      progress_.bytes += piece.size();
      progress_.done = std::min(progress_.total, blocks_of(progress_.bytes));
      hooks_->tell(progress_);
      return {};
    });
    if (!read) return read;
    result_.bytes += bytes;
    if (bytes != entry.bytes) {
      problem(entry.name, fmt::format("{} bytes, recorded {}", bytes, entry.bytes));
    } else if (hash.finish() != entry.sha256) {
      problem(entry.name, "does not match its recorded hash");
    }
    return {};
  }

  void name_pages() {
    const auto& luns = reader_->coverage().luns();
    const bool pages_damaged = std::any_of(result_.problems.begin(), result_.problems.end(), [&](const auto& found) {
      return std::any_of(luns.begin(), luns.end(), [&](const auto& lun) { return lun.file == found.file; });
    });
    if (!pages_damaged) return;
    const auto expected = reader_->block_hashes();
    if (!expected) return;  // its own problem is on the list, and it cannot accuse any page
    result_.damaged_pages =
        image::damaged_pages(reader_->coverage(), reader_->manifest().geometry, *expected, block_digests_);
  }

  files::FileSystem* system_;
  const ImageReader* reader_;
  const Hooks* hooks_;
  Progress progress_;
  Verification result_;
  Bytes block_digests_;
};

}  // namespace

Result<void> Verification::result() const {
  if (problems.empty()) return {};
  std::string text;
  for (const FileProblem& found : problems) {
    text += fmt::format("{}{}: {}", text.empty() ? "" : "; ", found.file, found.what);
  }
  std::string where;
  for (std::size_t i = 0; i < std::min(damaged_pages.size(), kRunsInMessage); ++i) {
    const image::DamagedPages& run = damaged_pages[i];
    where += fmt::format("{}pages {}-{}", where.empty() ? "" : ", ", run.first.index, run.first.index + run.count - 1);
    if (run.place != UnitPlace{}) where += fmt::format(" of target {}, LUN {}", run.place.target, run.place.lun);
  }
  if (damaged_pages.size() > kRunsInMessage) {
    where += fmt::format(" and {} more ranges", damaged_pages.size() - kRunsInMessage);
  }
  return failure(Error(ErrorCode::hash_mismatch, std::move(text)).at(std::move(where)));
}

Result<Verification> verify_image(files::FileSystem& system, const std::string& image, const Hooks& hooks) {
  const std::string name(image::kManifestName);
  const auto text = files::read_text(system, files::join(image, name), kMaxManifestBytes);
  if (!text)
    return failure(files::explain_folder(system, image, files::FolderKind::image, Error(text.error()).during("verifying image {}", image)));
  const auto reader = ImageReader::open(system, image);
  if (!reader) {
    // A damaged manifest is a mismatch like any other when the sums beside it can tell.
    const auto sums = files::read_text(system, files::join(image, std::string(kSumsName)), kMaxSumsBytes);
    const bool vouched = sums && sums->starts_with(to_text(Sha256::of(as_bytes(*text))));
    if (!sums || vouched) return failure(reader.error());
    return failure(Error(ErrorCode::hash_mismatch,
                         fmt::format("{} does not match {}: {}", name, kSumsName, reader.error().what()))
                       .at(name));
  }
  return Verifier(system, *reader, hooks).run(*text);
}

}  // namespace steadycell::settle
