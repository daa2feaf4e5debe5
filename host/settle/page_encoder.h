#pragma once
#include <optional>
#include <vector>

#include "files/side_thread.h"
#include "image/block_hashes.h"
#include "image/corrections.h"
#include "image/margins.h"

namespace steadycell::settle {

// Neighbouring pages of an image as they were settled.
class PageBatch {
 public:
  // `margin_planes`: most of any page.
  PageBatch(std::uint32_t raw_page_bytes, std::uint32_t margin_planes);

  // Where the next page is to be put before add(): its best bytes, and its margin planes.
  struct Room {
    MutableByteSpan best, against;
  };
  Room room();
  // `voted`: its bytes before a code corrected them; `votes`, `planes` as in image::PageMargins.
  void add(ByteSpan voted, std::uint32_t votes, std::uint32_t planes);
  bool full() const { return pages_.size() * raw_page_bytes_ == best_.size(); }
  void clear() { pages_.clear(); }

  std::size_t pages() const { return pages_.size(); }
  ByteSpan best() const { return ByteSpan(best_).first(pages_.size() * raw_page_bytes_); }  // page after page
  ByteSpan best(std::size_t page) const { return best().subspan(page * raw_page_bytes_, raw_page_bytes_); }
  ByteSpan correction(std::size_t page) const;  // voted XOR best
  image::PageMargins margins(std::size_t page) const;

 private:
  struct Page {
    bool corrected = false;
    std::uint32_t votes = 0, planes = 0;
  };
  std::size_t raw_page_bytes_, against_bytes_;  // of a page
  Bytes best_, corrections_, zeros_, against_;
  std::vector<Page> pages_;
};

// What the files of a bundle hold of its pages: made on a thread of its own, while the same pages are written and the next ones are
// settled. Touches no file. Stays where it is made.
class PageEncoder {
 public:
  // What pages became.
  struct Encoded {
    Bytes corrections, margins;  // pieces of corrections.xor.zst and margins.bin
    Bytes blocks;                // and of blocks.sha256, for blocks that are whole by now
  };

  // `of_all`: also hashes all pages files one after the other.
  PageEncoder(const Geometry& geometry, std::uint32_t margin_planes, bool of_all);

  // Begins with the pages of `batch` and leaves an empty one there. The batch returned stays until the next start().
  const PageBatch& start(PageBatch& batch);
  // Waits for the pages begun last; `encoded` gets what became of all since the last call.
  void finish(Encoded& encoded);
  // Of the pages since the last call; the next pages file begins. Like all_files() after finish().
  Digest end_file() { return file_.finish(); }
  // Of all files that have ended, where it was asked for.
  std::optional<Digest> all_files() { return all_ ? std::optional(all_->finish()) : std::nullopt; }

 private:
  void encode();

  image::BlockHasher block_hasher_;
  Sha256 file_;
  std::optional<Sha256> all_;
  image::CorrectionsWriter corrections_writer_;
  image::MarginsWriter margins_writer_;
  PageBatch batch_;  // the thread's, while it works, like all above
  Encoded encoded_;
  files::SideThread thread_;
};

}  // namespace steadycell::settle
