#include "passes/codec.h"

#include <zstd.h>
#include <zstd_errors.h>

#include <algorithm>
#include <cstring>

#include "base/bits.h"
#include "base/no_memory.h"
#include "passes/layout.h"

namespace steadycell::passes {
namespace {

// Earlier versions needed 512 KiB for any input; what asks for more than 8 MiB was not made here.
constexpr int kMaxWindowLog = 23;
constexpr int kWindowLog = 16;  // of what we pack: one zstd block, which stays in the cache of a core with all that packs it
constexpr std::size_t kStep = std::size_t{1} << kWindowLog;

struct FreeCompressor {
  void operator()(ZSTD_CCtx* context) const { ZSTD_freeCCtx(context); }
};
struct FreeDecompressor {
  void operator()(ZSTD_DCtx* context) const { ZSTD_freeDCtx(context); }
};

tl::unexpected<Error> bad_frame(const std::string& why) {
  return failure(ErrorCode::file_damaged, "a compressed unit cannot be unpacked: {}", why);
}

// Of a list of changes.
std::size_t most_frame_bytes(std::uint64_t raw_bytes) { return ZSTD_compressBound(most_change_bytes(raw_bytes)); }

// The list of changes of a unit of `raw_bytes` out of its frame.
Result<void> unpack_list(ZSTD_DCtx* context, ByteSpan frame, std::uint64_t raw_bytes, Bytes& list) {
  const unsigned long long bytes = ZSTD_getFrameContentSize(frame.data(), frame.size());
  if (bytes == ZSTD_CONTENTSIZE_ERROR || bytes == ZSTD_CONTENTSIZE_UNKNOWN) return bad_frame("it does not begin as one of ours");
  if (bytes > most_change_bytes(raw_bytes)) return bad_frame("it is longer than any list of changes");
  const std::size_t frame_bytes = ZSTD_findFrameCompressedSize(frame.data(), frame.size());
  if (ZSTD_isError(frame_bytes)) return bad_frame(ZSTD_getErrorName(frame_bytes));
  if (frame_bytes != frame.size()) return bad_frame("bytes follow the frame");
  list.resize(static_cast<std::size_t>(bytes));
  const std::size_t got = ZSTD_decompressDCtx(context, list.data(), list.size(), frame.data(), frame.size());
  if (ZSTD_getErrorCode(got) == ZSTD_error_memory_allocation) no_memory();
  if (ZSTD_isError(got)) return bad_frame(ZSTD_getErrorName(got));
  if (got != list.size()) return bad_frame("it is shorter than it says");
  return {};
}

}  // namespace

struct UnitCodec::Zstd {
  std::unique_ptr<ZSTD_CCtx, FreeCompressor> compressor;
  std::unique_ptr<ZSTD_DCtx, FreeDecompressor> decompressor;
};

UnitCodec::UnitCodec() : zstd_(std::make_unique<Zstd>()) {}
UnitCodec::~UnitCodec() = default;

// In steps of one zstd block: what is at work then stays in the cache of the core.
Result<std::optional<UnitCodec::Packed>> UnitCodec::pack(ByteSpan raw, const ReadAt& reference, bool may_list) {
  in_.resize(std::max(in_.size(), kStep));
  if (!zstd_->compressor) zstd_->compressor.reset(ZSTD_createCCtx());
  if (!zstd_->compressor) no_memory();
  if (frame_bytes_ < raw.size()) {
    frame_ = std::make_unique_for_overwrite<std::uint8_t[]>(raw.size());
    frame_bytes_ = raw.size();
  }
  if (may_list)
    if (auto packed = pack_changes(raw, reference); !packed || *packed) return packed;
  return pack_difference(raw, reference);
}

// Nothing where there are too many.
Result<std::optional<UnitCodec::Packed>> UnitCodec::pack_changes(ByteSpan raw, const ReadAt& reference) {
  changes_.begin();
  std::uint32_t checksum = 0;
  for (std::size_t at = 0; at < raw.size(); at += kStep) {
    const MutableByteSpan piece = MutableByteSpan(in_).first(std::min(kStep, raw.size() - at));
    if (const auto got = reference(at, piece); !got) return failure(got.error());
    checksum = crc32c(piece, checksum);
    changes_.add(raw.subspan(at, piece.size()), piece);
    if (changes_.list().size() > most_change_bytes(raw.size())) return std::nullopt;
  }
  const ByteSpan list = changes_.list();
  const std::size_t bytes = ZSTD_compressCCtx(zstd_->compressor.get(), frame_.get(), raw.size() - 1, list.data(), list.size(), 1);
  if (ZSTD_getErrorCode(bytes) == ZSTD_error_memory_allocation) no_memory();
  if (ZSTD_isError(bytes)) return std::nullopt;  // not shorter than so small a block
  return Packed{.codec = Codec::changes, .frame = ByteSpan(frame_.get(), bytes), .reference_crc32c = checksum};
}

// With a window of one step: larger ones find nothing more in differences.
Result<std::optional<UnitCodec::Packed>> UnitCodec::pack_difference(ByteSpan raw, const ReadAt& reference) {
  ZSTD_CCtx* const context = zstd_->compressor.get();
  ZSTD_CCtx_reset(context, ZSTD_reset_session_and_parameters);
  ZSTD_CCtx_setParameter(context, ZSTD_c_compressionLevel, 1);
  ZSTD_CCtx_setParameter(context, ZSTD_c_windowLog, kWindowLog);
  ZSTD_CCtx_setPledgedSrcSize(context, raw.size());
  ZSTD_outBuffer output{frame_.get(), raw.size() - 1, 0};
  std::uint32_t checksum = 0;
  for (std::size_t at = 0; at < raw.size(); at += kStep) {
    const MutableByteSpan piece = MutableByteSpan(in_).first(std::min(kStep, raw.size() - at));
    if (const auto got = reference(at, piece); !got) return failure(got.error());
    checksum = crc32c(piece, checksum);
    xor_into(piece, raw.subspan(at, piece.size()));
    ZSTD_inBuffer input{piece.data(), piece.size(), 0};
    const ZSTD_EndDirective directive = at + piece.size() == raw.size() ? ZSTD_e_end : ZSTD_e_continue;
    for (bool more = true; more;) {
      const std::size_t left = ZSTD_compressStream2(context, &output, &input, directive);
      if (ZSTD_isError(left)) no_memory();  // packing fails of nothing else
      more = directive == ZSTD_e_end ? left != 0 : input.pos < input.size;
      if (more && output.pos == output.size) return std::nullopt;
    }
  }
  return Packed{.codec = Codec::difference, .frame = ByteSpan(frame_.get(), output.pos), .reference_crc32c = checksum};
}

Result<void> UnitCodec::unpack_difference(const Stored& stored, MutableByteSpan out) {
  if (!zstd_->decompressor) zstd_->decompressor.reset(ZSTD_createDCtx());
  if (!zstd_->decompressor) no_memory();
  ZSTD_DCtx* const context = zstd_->decompressor.get();
  ZSTD_DCtx_reset(context, ZSTD_reset_session_and_parameters);
  ZSTD_DCtx_setParameter(context, ZSTD_d_windowLogMax, kMaxWindowLog);
  in_.resize(kPieceBytes);
  out_.resize(kPieceBytes);
  ZSTD_outBuffer output{out.data(), out.size(), 0};
  std::size_t left = 1;  // not 0: the frame goes on
  for (std::uint64_t at = 0; at < stored.bytes;) {
    const auto count = static_cast<std::size_t>(std::min<std::uint64_t>(kPieceBytes, stored.bytes - at));
    if (auto got = stored.read(at, MutableByteSpan(in_).first(count)); !got) return got;
    ZSTD_inBuffer input{in_.data(), count, 0};
    while (input.pos < input.size) {
      const std::size_t consumed = input.pos, produced = output.pos;
      left = ZSTD_decompressStream(context, &output, &input);
      if (ZSTD_getErrorCode(left) == ZSTD_error_memory_allocation) no_memory();
      if (ZSTD_isError(left)) return bad_frame(ZSTD_getErrorName(left));
      if (left == 0 && (input.pos < input.size || at + count < stored.bytes)) return bad_frame("bytes follow the frame");
      if (input.pos == consumed && output.pos == produced) return bad_frame("it is longer than a block");
    }
    at += count;
  }
  if (left != 0) return bad_frame(output.pos == output.size ? "it is longer than a block" : "the frame is cut");
  if (output.pos != out.size()) return bad_frame(fmt::format("it has {} bytes, a block {}", output.pos, out.size()));
  return {};
}

// Turns the reference into the unit.
Result<void> UnitCodec::unpack_changes(const Stored& stored, MutableByteSpan reference) {
  if (!zstd_->decompressor) zstd_->decompressor.reset(ZSTD_createDCtx());
  if (!zstd_->decompressor) no_memory();
  if (stored.bytes > most_frame_bytes(reference.size())) return bad_frame("it is longer than any list of changes");
  in_.resize(stored.bytes);
  if (auto got = stored.read(0, in_); !got) return got;
  if (auto unpacked = unpack_list(zstd_->decompressor.get(), in_, reference.size(), out_); !unpacked) return unpacked;
  ChangeReader changes;
  if (auto begun = changes.begin(out_); !begun) return begun;
  return changes.apply(reference, true);
}

Result<void> UnitCodec::unpack(const Stored& stored, ByteSpan reference, MutableByteSpan out) {
  if (stored.codec == Codec::changes) {
    std::memcpy(out.data(), reference.data(), out.size());
    return unpack_changes(stored, out);
  }
  if (auto unpacked = unpack_difference(stored, out); !unpacked) return unpacked;
  xor_into(out, reference);
  return {};
}

Result<void> UnitCodec::unpack(const Stored& stored, const ReadAt& reference, MutableByteSpan out) {
  if (stored.codec == Codec::changes) {
    if (auto got = reference(0, out); !got) return got;
    return unpack_changes(stored, out);
  }
  if (auto unpacked = unpack_difference(stored, out); !unpacked) return unpacked;
  for (std::size_t at = 0; at < out.size(); at += kPieceBytes) {
    const MutableByteSpan piece = out.subspan(at, std::min(kPieceBytes, out.size() - at));
    const MutableByteSpan other = MutableByteSpan(out_).first(piece.size());
    if (auto got = reference(at, other); !got) return got;
    xor_into(piece, other);
  }
  return {};
}

struct DifferenceStream::Zstd {
  std::unique_ptr<ZSTD_DCtx, FreeDecompressor> context{ZSTD_createDCtx()};
  Zstd() {
    if (!context) no_memory();
    ZSTD_DCtx_setParameter(context.get(), ZSTD_d_windowLogMax, kWindowLog);
  }
};

DifferenceStream::DifferenceStream() : zstd_(std::make_unique<Zstd>()) {}
DifferenceStream::~DifferenceStream() = default;

Result<void> DifferenceStream::begin(Codec codec, ByteSpan frame, std::uint64_t raw_bytes) {
  codec_ = codec;
  frame_ = frame;
  used_ = 0;
  ZSTD_DCtx_reset(zstd_->context.get(), ZSTD_reset_session_only);
  if (codec_ != Codec::changes) return unpack_next({}, false);
  if (auto unpacked = unpack_list(zstd_->context.get(), frame, raw_bytes, list_); !unpacked) return unpacked;
  return changes_.begin(list_);
}

Result<void> DifferenceStream::next(MutableByteSpan out, bool last) {
  if (codec_ != Codec::changes) return unpack_next(out, last);
  std::memset(out.data(), 0, out.size());
  return changes_.apply(out, last);
}

Result<void> DifferenceStream::unpack_next(MutableByteSpan out, bool last) {
  ZSTD_inBuffer input{frame_.data(), frame_.size(), used_};
  ZSTD_outBuffer output{out.data(), out.size(), 0};
  std::size_t left = 1;  // not 0: the frame goes on
  // Once more where all came: only then the end of the frame is seen.
  for (bool more = true; more;) {
    const std::size_t consumed = input.pos, produced = output.pos;
    left = ZSTD_decompressStream(zstd_->context.get(), &output, &input);
    if (ZSTD_getErrorCode(left) == ZSTD_error_memory_allocation) no_memory();
    if (ZSTD_isError(left)) return bad_frame(ZSTD_getErrorName(left));
    more = left != 0 && (input.pos > consumed || output.pos > produced) && (output.pos < output.size || last);
  }
  used_ = input.pos;
  if (left == 0 && (!last || output.pos < output.size)) return bad_frame("it is shorter than a block");
  if (output.pos < output.size) return bad_frame("the frame is cut");
  if (last && left != 0) return bad_frame("it is longer than a block");
  if (last && used_ < frame_.size()) return bad_frame("bytes follow the frame");
  return {};
}

}  // namespace steadycell::passes
