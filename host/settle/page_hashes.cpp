#include "settle/page_hashes.h"

#include <utility>

namespace steadycell::settle {

PageHashes::PageHashes(std::uint32_t raw_page_bytes, std::uint32_t pages_per_block, bool of_all)
    : raw_page_bytes_(raw_page_bytes), hasher_(pages_per_block) {
  if (of_all) all_.emplace();
}

ByteSpan PageHashes::add(Bytes& pages, Bytes& blocks) {
  thread_.wait();
  take_blocks(blocks);
  pages_.swap(pages);
  pages.clear();
  thread_.start([this] { hash(); });
  return pages_;
}

void PageHashes::hash() {
  const ByteSpan pages(pages_);
  for (std::size_t at = 0; at < pages.size(); at += raw_page_bytes_) hasher_.add_page(pages.subspan(at, raw_page_bytes_), blocks_);
  file_.update(pages);
  if (all_) all_->update(pages);
}

void PageHashes::take_blocks(Bytes& blocks) {
  blocks.insert(blocks.end(), blocks_.begin(), blocks_.end());
  blocks_.clear();
}

Digest PageHashes::end_file(Bytes& blocks) {
  thread_.wait();
  take_blocks(blocks);
  return file_.finish();
}

std::optional<Digest> PageHashes::all_files() {
  thread_.wait();
  return all_ ? std::optional(all_->finish()) : std::nullopt;
}

}  // namespace steadycell::settle
