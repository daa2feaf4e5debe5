#include "passes/changes.h"

#include <cassert>

#include "base/bits.h"

namespace steadycell::passes {
namespace {

// Of a run of unchanged bytes: enough for the largest block.
constexpr unsigned kMostRunBits = 28;

tl::unexpected<Error> bad_list(const char* why) { return failure(ErrorCode::file_damaged, "the list of changed bytes {}", why); }

}  // namespace

void ChangeWriter::begin() {
  list_.clear();
  same_ = 0;
}

void ChangeWriter::add(ByteSpan a, ByteSpan b) {
  assert(a.size() == b.size());
  for (std::size_t from = 0;;) {
    const std::size_t at = next_difference(a, b, from);
    same_ += at - from;
    if (at == a.size()) return;
    for (; same_ >= 0x80; same_ >>= 7) list_.push_back(static_cast<std::uint8_t>(same_ | 0x80));
    list_.push_back(static_cast<std::uint8_t>(same_));
    list_.push_back(static_cast<std::uint8_t>(a[at] ^ b[at]));
    same_ = 0;
    from = at + 1;
  }
}

Result<void> ChangeReader::begin(ByteSpan list) {
  list_ = list;
  used_ = 0;
  return read_next(0);
}

// The next entry of the list, whose run begins at `from`.
Result<void> ChangeReader::read_next(std::uint64_t from) {
  at_ = kNone;
  if (used_ == list_.size()) return {};
  std::uint64_t same = 0;
  for (unsigned shift = 0;; shift += 7) {
    if (shift == kMostRunBits) return bad_list("has a run beyond any block");
    if (used_ == list_.size()) return bad_list("is cut");
    const std::uint8_t byte = list_[used_++];
    same |= std::uint64_t{byte & 0x7FU} << shift;
    if (byte == 0 && shift > 0) return bad_list("has a run that is written too long");
    if (byte < 0x80) break;
  }
  if (used_ == list_.size()) return bad_list("is cut");
  value_ = list_[used_++];
  if (value_ == 0) return bad_list("has a change that changes nothing");
  at_ = from + same;
  return {};
}

Result<void> ChangeReader::apply(MutableByteSpan bytes, bool last) {
  while (at_ < bytes.size()) {
    bytes[at_] = static_cast<std::uint8_t>(bytes[at_] ^ value_);
    if (auto next = read_next(at_ + 1); !next) return next;
  }
  if (at_ == kNone) return {};
  if (last) return bad_list("goes on behind the end of the block");
  at_ -= bytes.size();
  return {};
}

}  // namespace steadycell::passes
