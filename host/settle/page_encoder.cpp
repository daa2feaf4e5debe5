#include "settle/page_encoder.h"

#include <algorithm>
#include <cassert>
#include <cstring>
#include <utility>

#include "base/bits.h"

namespace steadycell::settle {
namespace {

// Of a batch with all that belongs to its pages: enough to outweigh waking a thread, and for one of the two threads to run ahead.
constexpr std::size_t kBatchBytes = std::size_t{4} << 20;

}  // namespace

PageBatch::PageBatch(std::uint32_t raw_page_bytes, std::uint32_t margin_planes)
    : raw_page_bytes_(raw_page_bytes), against_bytes_(std::size_t{margin_planes} * raw_page_bytes), zeros_(raw_page_bytes) {
  const std::size_t pages = std::max<std::size_t>(1, kBatchBytes / (2 * raw_page_bytes_ + against_bytes_));
  best_.resize(pages * raw_page_bytes_);
  corrections_.resize(pages * raw_page_bytes_);
  against_.resize(pages * against_bytes_);
  pages_.reserve(pages);
}

PageBatch::Room PageBatch::room() {
  return {.best = MutableByteSpan(best_).subspan(pages_.size() * raw_page_bytes_, raw_page_bytes_),
          .against = MutableByteSpan(against_).subspan(pages_.size() * against_bytes_, against_bytes_)};
}

void PageBatch::add(ByteSpan voted, std::uint32_t votes, std::uint32_t planes) {
  assert(!full() && voted.size() == raw_page_bytes_);
  const ByteSpan best = room().best;
  const bool corrected = std::memcmp(voted.data(), best.data(), raw_page_bytes_) != 0;
  if (corrected) {
    const MutableByteSpan correction = MutableByteSpan(corrections_).subspan(pages_.size() * raw_page_bytes_, raw_page_bytes_);
    std::memcpy(correction.data(), voted.data(), raw_page_bytes_);  // std::ranges::copy goes byte by byte with g++ 12
    xor_into(correction, best);
  }
  pages_.push_back({.corrected = corrected, .votes = votes, .planes = planes});
}

ByteSpan PageBatch::correction(std::size_t page) const {
  return pages_[page].corrected ? ByteSpan(corrections_).subspan(page * raw_page_bytes_, raw_page_bytes_) : ByteSpan(zeros_);
}

image::PageMargins PageBatch::margins(std::size_t page) const {
  const Page& at = pages_[page];
  return {
      .votes = at.votes, .planes = at.planes, .against = ByteSpan(against_).subspan(page * against_bytes_, at.planes * raw_page_bytes_)};
}

PageEncoder::PageEncoder(const Geometry& geometry, std::uint32_t margin_planes, bool of_all)
    : block_hasher_(geometry.pages_per_block),
      corrections_writer_(geometry.pages_per_block),
      margins_writer_(geometry.raw_page_bytes(), geometry.pages_per_block),
      batch_(geometry.raw_page_bytes(), margin_planes) {
  if (of_all) all_.emplace();
  margins_writer_.begin(encoded_.margins);
}

const PageBatch& PageEncoder::start(PageBatch& batch) {
  thread_.wait();
  std::swap(batch_, batch);
  batch.clear();
  thread_.start([this] { encode(); });
  return batch_;
}

void PageEncoder::finish(Encoded& encoded) {
  thread_.wait();
  std::swap(encoded_, encoded);
  for (Bytes* made : {&encoded_.corrections, &encoded_.margins, &encoded_.blocks}) made->clear();
}

void PageEncoder::encode() {
  for (std::size_t page = 0; page < batch_.pages(); ++page) {
    block_hasher_.add_page(batch_.best(page), encoded_.blocks);
    corrections_writer_.add_page(batch_.correction(page), encoded_.corrections);
    margins_writer_.add_page(batch_.margins(page), encoded_.margins);
  }
  file_.update(batch_.best());
  if (all_) all_->update(batch_.best());
}

}  // namespace steadycell::settle
