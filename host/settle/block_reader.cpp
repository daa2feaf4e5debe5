#include "settle/block_reader.h"

#include <algorithm>

namespace steadycell::settle {

Result<BlockReader> BlockReader::make(const ImageReader& reader) {
  auto hashes = reader.block_hashes();
  if (!hashes) return failure(hashes.error());
  return BlockReader(reader, std::move(*hashes));
}

Result<ByteSpan> BlockReader::read(std::uint64_t index) {
  std::uint64_t before = 0;
  for (const image::LunCoverage& lun : reader_->coverage().luns()) {
    if (index < before + lun.blocks()) return read_from(lun, index, index - before);
    before += lun.blocks();
  }
  return failure(ErrorCode::internal, "block {} of an image of {}", index, before);
}

Result<ByteSpan> BlockReader::read_from(const image::LunCoverage& lun, std::uint64_t index, std::uint64_t in_file) {
  if (lun.file != open_name_) {
    auto opened = reader_->open_file(lun.file);
    if (!opened) return failure(opened.error());
    open_file_ = std::move(*opened);
    open_name_ = lun.file;
  }
  const auto got = open_file_->read_at(in_file * block_.size(), block_);
  if (!got) return failure(got.error());
  const Digest digest = Sha256::of(ByteSpan(block_).first(*got));
  if (!std::equal(digest.begin(), digest.end(), hashes_.begin() + static_cast<std::ptrdiff_t>(index * digest.size()))) {
    const std::uint32_t per_block = reader_->manifest().geometry.pages_per_block;
    const auto first = reader_->coverage().page_at(index * per_block);
    return failure(Error(ErrorCode::hash_mismatch, "the bytes in the image are not those that were settled")
                       .at(fmt::format("{} pages {}-{}", lun.file, first->page.index,
                                       first->page.index + per_block - 1)));
  }
  return ByteSpan(block_);
}

}  // namespace steadycell::settle
