#pragma once
#include <memory>
#include <string>

#include "settle/image_reader.h"

namespace steadycell::settle {

// Goes through whole blocks of the image, each compared with its recorded hash (hash_mismatch, naming the pages).
class BlockReader {
 public:
  // `reader` must outlive it.
  static Result<BlockReader> make(const ImageReader& reader);
  // The bytes of block `index` in image order; valid until the next call.
  Result<ByteSpan> read(std::uint64_t index);

 private:
  BlockReader(const ImageReader& reader, Bytes hashes)
      : reader_(&reader), hashes_(std::move(hashes)), block_(reader.manifest().geometry.block_raw_bytes()) {}
  Result<ByteSpan> read_from(const image::LunCoverage& lun, std::uint64_t index, std::uint64_t in_file);

  const ImageReader* reader_;
  Bytes hashes_, block_;
  std::string open_name_;
  std::unique_ptr<files::File> open_file_;
};

}  // namespace steadycell::settle
