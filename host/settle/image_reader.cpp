#include "settle/image_reader.h"

#include "files/atomic.h"
#include "files/folder_kind.h"

namespace steadycell::settle {
namespace {

static_assert(image::kManifestName == files::kImageMark);
static_assert(image::kBlockHashesName == files::kImageFiles[0] && image::kVerdictsName == files::kImageFiles[1]);

constexpr std::size_t kPieceBytes = std::size_t{256} << 10;

}  // namespace

Result<void> for_each_piece(files::File& file, const std::function<Result<void>(ByteSpan)>& visit) {
  Bytes piece(kPieceBytes);
  for (std::uint64_t at = 0;;) {
    const auto got = file.read_at(at, piece);
    if (!got) return failure(got.error());
    if (*got > 0) {
      if (auto visited = visit(ByteSpan(piece).first(*got)); !visited) return visited;
    }
    if (*got < piece.size()) return {};
    at += *got;
  }
}

Result<ImageReader> ImageReader::open(files::FileSystem& system, const std::string& folder) {
  const auto text = files::read_text(system, files::join(folder, std::string(image::kManifestName)), kMaxManifestBytes);
  if (!text)
    return failure(files::explain_folder(system, folder, files::FolderKind::image, Error(text.error()).during("opening image {}", folder)));
  auto manifest = image::parse_manifest(*text);
  if (!manifest) {
    return failure(Error(manifest.error()).during("opening image {}", folder).at(std::string(image::kManifestName)));
  }
  auto coverage = image::CoverageMap::make(manifest->geometry, manifest->coverage);
  if (!coverage) return failure(Error(coverage.error()).during("opening image {}", folder));
  return ImageReader(system, folder, std::move(*manifest), std::move(*coverage));
}

Result<std::unique_ptr<files::File>> ImageReader::open_file(const std::string& name) const {
  return system_->open_read(files::join(folder_, name));
}

Result<Bytes> ImageReader::block_hashes() const {
  const std::string name(image::kBlockHashesName);
  const image::FileEntry* entry = manifest_.file(name);
  if (entry == nullptr) return failure(ErrorCode::file_damaged, "the manifest of {} lists no {}", folder_, name);
  const std::uint64_t expected = coverage_.blocks() * sizeof(Digest);
  auto bytes = files::read_whole(*system_, files::join(folder_, name), expected);
  if (!bytes) return failure(bytes.error());
  if (bytes->size() != expected || Sha256::of(*bytes) != entry->sha256) {
    return failure(Error(ErrorCode::hash_mismatch, fmt::format("{} does not match its recorded hash", name)).at(name));
  }
  return bytes;
}

Result<void> ImageReader::for_each_verdict(
    const std::function<Result<void>(const image::PageVerdict&)>& visit) const {
  const std::string name(image::kVerdictsName);
  const auto damaged = [&](std::string what) {
    return failure(Error(ErrorCode::file_damaged, std::move(what)).at(files::join(folder_, name)));
  };
  auto file = open_file(name);
  if (!file) return failure(file.error());
  std::uint64_t rows = 0;
  image::VerdictParser parser;
  const auto row = [&](const image::PageVerdict& verdict) -> Result<void> {
    const auto expected = coverage_.page_at(rows++);
    if (!expected || expected->place != verdict.place || expected->page != verdict.page) {
      return damaged(fmt::format("row {} is for page {} of target {}, LUN {}, which is not its turn", rows,
                                 verdict.page.index, verdict.place.target, verdict.place.lun));
    }
    return visit(verdict);
  };
  const auto fed = for_each_piece(**file, [&](ByteSpan piece) { return parser.feed(as_text(piece), row); });
  if (!fed) return failure(fed.error());
  if (auto finished = parser.finish(row); !finished) return finished;
  if (rows != coverage_.pages()) {
    return damaged(fmt::format("{} rows for the {} pages of the image", rows, coverage_.pages()));
  }
  return {};
}

Result<Digest> ImageReader::pages_sha256() const {
  if (coverage_.luns().size() == 1) {
    const image::FileEntry* entry = manifest_.file(coverage_.luns().front().file);
    if (entry != nullptr) return entry->sha256;
  }
  Sha256 hash;
  for (const image::LunCoverage& lun : coverage_.luns()) {
    auto file = open_file(lun.file);
    if (!file) return failure(file.error());
    const auto read = for_each_piece(**file, [&](ByteSpan piece) -> Result<void> {
      hash.update(piece);
      return {};
    });
    if (!read) return failure(read.error());
  }
  return hash.finish();
}

}  // namespace steadycell::settle
