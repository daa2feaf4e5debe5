#pragma once
#include <optional>

#include "files/side_thread.h"
#include "image/block_hashes.h"

namespace steadycell::settle {

// The hashes of the pages files and of their blocks, on a thread of their own while the same pages are written. Stays where it
// is made.
class PageHashes {
 public:
  // `of_all`: also all files one after the other.
  PageHashes(std::uint32_t raw_page_bytes, std::uint32_t pages_per_block, bool of_all);

  // Takes `pages`, whole pages in image order, and leaves an empty buffer. The bytes returned, these pages, stay until the next
  // call; `blocks` gets what blocks.sha256 has for blocks that were whole before.
  ByteSpan add(Bytes& pages, Bytes& blocks);
  // Of the pages since the last call; the next file begins. `blocks` gets the rest.
  Digest end_file(Bytes& blocks);
  // Of all files that have ended, where it was asked for.
  std::optional<Digest> all_files();

 private:
  void hash();
  void take_blocks(Bytes& blocks);

  std::size_t raw_page_bytes_;
  image::BlockHasher hasher_;
  Sha256 file_;
  std::optional<Sha256> all_;
  Bytes pages_, blocks_;  // the thread's, while it works
  files::SideThread thread_;
};

}  // namespace steadycell::settle
