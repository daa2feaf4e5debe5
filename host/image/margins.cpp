#include "image/margins.h"

#include <algorithm>
#include <array>
#include <cassert>

#include "base/bits.h"

namespace steadycell::image {
namespace {

constexpr std::size_t kHeaderBytes = 24;
constexpr std::uint32_t kSkippableMagic = 0x184D2A5C;  // one of RFC 8878, 3.1.2: decoders pass over it
constexpr std::uint32_t kFileMagic = 0x474D4353;       // "SCMG"
constexpr std::uint16_t kVersion = 1;

}  // namespace

MarginsWriter::MarginsWriter(std::uint32_t raw_page_bytes, std::uint32_t pages_per_block)
    : frames_(pages_per_block), raw_page_bytes_(raw_page_bytes), pages_per_block_(pages_per_block) {}

void MarginsWriter::begin(Bytes& out) const {
  std::array<std::uint8_t, kHeaderBytes> header{};
  const MutableByteSpan at(header);
  store_u32(at, kSkippableMagic);
  store_u32(at.subspan(4), kHeaderBytes - 8);
  store_u32(at.subspan(8), kFileMagic);
  store_u16(at.subspan(12), kVersion);
  store_u32(at.subspan(16), raw_page_bytes_);
  store_u32(at.subspan(20), pages_per_block_);
  out.insert(out.end(), header.begin(), header.end());
}

void MarginsWriter::add_page(const PageMargins& margins, Bytes& out) {
  assert(margins.votes <= 255 && margins.against.size() == std::size_t{margins.planes} * raw_page_bytes_);
  std::uint32_t planes = margins.planes;
  const auto top_is_empty = [&] {
    const ByteSpan top = margins.against.subspan(std::size_t{planes - 1} * raw_page_bytes_, raw_page_bytes_);
    return next_set_byte(top, 0) == top.size();
  };
  while (planes > 0 && top_is_empty()) --planes;
  assert(planes <= kMaxMarginPlanes);
  const std::array begin{static_cast<std::uint8_t>(margins.votes), static_cast<std::uint8_t>(planes)};
  frames_.add_page(margins.against.first(std::size_t{planes} * raw_page_bytes_), out, begin);
}

MarginsReader::MarginsReader(std::uint32_t raw_page_bytes, std::uint32_t pages_per_block)
    : raw_page_bytes_(raw_page_bytes), pages_per_block_(pages_per_block) {}

Result<void> MarginsReader::feed(ByteSpan bytes, const Sink& sink) {
  if (header_.size() < kHeaderBytes) {
    const std::size_t take = std::min(bytes.size(), kHeaderBytes - header_.size());
    header_.insert(header_.end(), bytes.begin(), bytes.begin() + static_cast<std::ptrdiff_t>(take));
    bytes = bytes.subspan(take);
    if (header_.size() < kHeaderBytes) return {};
    const ByteSpan at(header_);
    if (load_u32(at) != kSkippableMagic || load_u32(at.subspan(4)) != kHeaderBytes - 8 ||
        load_u32(at.subspan(8)) != kFileMagic)
      return failure(ErrorCode::file_damaged, "margins: the file does not start with its header");
    if (load_u16(at.subspan(12)) != kVersion)
      return failure(ErrorCode::version_unknown, "margins: version {}, expected {}", load_u16(at.subspan(12)),
                     kVersion);
    if (load_u32(at.subspan(16)) != raw_page_bytes_ || load_u32(at.subspan(20)) != pages_per_block_)
      return failure(ErrorCode::file_damaged,
                     "margins: made for pages of {} bytes, {} a block; the image has {} and {}",
                     load_u32(at.subspan(16)), load_u32(at.subspan(20)), raw_page_bytes_, pages_per_block_);
  }
  PageFrameReader::Sink frame_sink;
  frame_sink.bytes = [&](ByteSpan decoded) { return take(decoded, sink); };
  frame_sink.frame_end = [&] { return end_of_block(); };
  return frames_.feed(bytes, frame_sink);
}

Result<void> MarginsReader::take(ByteSpan decoded, const Sink& sink) {
  while (!decoded.empty()) {
    if (pages_ == (frames_.frames() + 1) * pages_per_block_)
      return failure(ErrorCode::file_damaged, "margins block {}: the frame holds more than {} pages",
                     frames_.frames(), pages_per_block_);
    const std::size_t whole = content_.size() < 2 ? 2 : 2 + std::size_t{content_[1]} * raw_page_bytes_;
    const std::size_t step = std::min(decoded.size(), whole - content_.size());
    content_.insert(content_.end(), decoded.begin(), decoded.begin() + static_cast<std::ptrdiff_t>(step));
    decoded = decoded.subspan(step);
    if (content_.size() < 2) return {};
    const std::uint32_t votes = content_[0], planes = content_[1];
    // An against-count is at most half the votes.
    if (planes > kMaxMarginPlanes || (planes > 0 && votes < (1U << planes)))
      return failure(ErrorCode::file_damaged, "margins page {}: {} planes for {} votes", pages_, planes, votes);
    if (content_.size() < 2 + std::size_t{planes} * raw_page_bytes_) continue;
    auto taken = sink(pages_++, PageMargins{votes, planes, ByteSpan(content_).subspan(2)});
    content_.clear();
    if (!taken) return taken;
  }
  return {};
}

Result<void> MarginsReader::end_of_block() const {
  if (pages_ != frames_.frames() * pages_per_block_ || !content_.empty())
    return failure(ErrorCode::file_damaged, "margins block {}: the frame holds less than {} pages",
                   frames_.frames() - 1, pages_per_block_);
  return {};
}

Result<void> MarginsReader::finish(std::uint64_t pages) const {
  if (header_.size() < kHeaderBytes)
    return failure(ErrorCode::file_damaged, "margins: the file ends inside its header");
  if (!frames_.at_frame_border())
    return failure(ErrorCode::file_damaged, "margins block {}: the file ends inside the frame", frames_.frames());
  if (pages_ != pages)
    return failure(ErrorCode::file_damaged, "margins hold {} pages, the image covers {}", pages_, pages);
  return {};
}

std::uint32_t against_of(const PageMargins& margins, std::uint32_t raw_page_bytes, std::uint64_t bit) {
  std::uint32_t count = 0;
  for (std::uint32_t plane = 0; plane < margins.planes; ++plane)
    count |= (margins.against[std::size_t{plane} * raw_page_bytes + bit / 8] >> (bit % 8) & 1U) << plane;
  return count;
}

}  // namespace steadycell::image
