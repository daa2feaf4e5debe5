#include "passes/codec.h"

#include <zstd.h>
#include <zstd_errors.h>

#include <algorithm>

#include "base/bits.h"
#include "base/no_memory.h"
#include "passes/layout.h"

namespace steadycell::passes {
namespace {

// Earlier versions needed 512 KiB for any input; what asks for more than 8 MiB was not made here.
constexpr int kMaxWindowLog = 23;
constexpr int kWindowLog = 16;  // of what we pack: one zstd block, which stays in the cache of a core with all that packs it

struct FreeCompressor {
  void operator()(ZSTD_CCtx* context) const { ZSTD_freeCCtx(context); }
};
struct FreeDecompressor {
  void operator()(ZSTD_DCtx* context) const { ZSTD_freeDCtx(context); }
};

tl::unexpected<Error> bad_frame(const std::string& why) {
  return failure(ErrorCode::file_damaged, "a compressed unit cannot be unpacked: {}", why);
}

}  // namespace

struct UnitCodec::Zstd {
  std::unique_ptr<ZSTD_CCtx, FreeCompressor> compressor;
  std::unique_ptr<ZSTD_DCtx, FreeDecompressor> decompressor;
};

UnitCodec::UnitCodec() : zstd_(std::make_unique<Zstd>()) {}
UnitCodec::~UnitCodec() = default;

// In steps of one zstd block and with a window of one: what is at work then stays in the cache of the core, and larger windows find
// nothing more in differences, which are nearly all zeros.
Result<std::optional<UnitCodec::Packed>> UnitCodec::pack(ByteSpan raw, const ReadAt& reference) {
  constexpr std::size_t kStep = std::size_t{1} << kWindowLog;
  if (!zstd_->compressor) zstd_->compressor.reset(ZSTD_createCCtx());
  if (!zstd_->compressor) no_memory();
  if (frame_bytes_ < raw.size()) {
    frame_ = std::make_unique_for_overwrite<std::uint8_t[]>(raw.size());
    frame_bytes_ = raw.size();
  }
  ZSTD_CCtx* const context = zstd_->compressor.get();
  ZSTD_CCtx_reset(context, ZSTD_reset_session_and_parameters);
  ZSTD_CCtx_setParameter(context, ZSTD_c_compressionLevel, 1);
  ZSTD_CCtx_setParameter(context, ZSTD_c_windowLog, kWindowLog);
  ZSTD_CCtx_setPledgedSrcSize(context, raw.size());
  in_.resize(std::max(in_.size(), kStep));
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
  return Packed{.frame = ByteSpan(frame_.get(), output.pos), .reference_crc32c = checksum};
}

Result<void> UnitCodec::unpack_difference(std::uint64_t stored_bytes, const ReadAt& stored, MutableByteSpan out) {
  if (!zstd_->decompressor) zstd_->decompressor.reset(ZSTD_createDCtx());
  if (!zstd_->decompressor) no_memory();
  ZSTD_DCtx* const context = zstd_->decompressor.get();
  ZSTD_DCtx_reset(context, ZSTD_reset_session_and_parameters);
  ZSTD_DCtx_setParameter(context, ZSTD_d_windowLogMax, kMaxWindowLog);
  in_.resize(kPieceBytes);
  out_.resize(kPieceBytes);
  ZSTD_outBuffer output{out.data(), out.size(), 0};
  std::size_t left = 1;  // not 0: the frame goes on
  for (std::uint64_t at = 0; at < stored_bytes;) {
    const auto count = static_cast<std::size_t>(std::min<std::uint64_t>(kPieceBytes, stored_bytes - at));
    if (auto got = stored(at, MutableByteSpan(in_).first(count)); !got) return got;
    ZSTD_inBuffer input{in_.data(), count, 0};
    while (input.pos < input.size) {
      const std::size_t consumed = input.pos, produced = output.pos;
      left = ZSTD_decompressStream(context, &output, &input);
      if (ZSTD_getErrorCode(left) == ZSTD_error_memory_allocation) no_memory();
      if (ZSTD_isError(left)) return bad_frame(ZSTD_getErrorName(left));
      if (left == 0 && (input.pos < input.size || at + count < stored_bytes)) return bad_frame("bytes follow the frame");
      if (input.pos == consumed && output.pos == produced) return bad_frame("it is longer than a block");
    }
    at += count;
  }
  if (left != 0) return bad_frame(output.pos == output.size ? "it is longer than a block" : "the frame is cut");
  if (output.pos != out.size()) return bad_frame(fmt::format("it has {} bytes, a block {}", output.pos, out.size()));
  return {};
}

Result<void> UnitCodec::unpack(std::uint64_t stored_bytes, const ReadAt& stored, ByteSpan reference, MutableByteSpan out) {
  if (auto unpacked = unpack_difference(stored_bytes, stored, out); !unpacked) return unpacked;
  xor_into(out, reference);
  return {};
}

Result<void> UnitCodec::unpack(std::uint64_t stored_bytes, const ReadAt& stored, const ReadAt& reference, MutableByteSpan out) {
  if (auto unpacked = unpack_difference(stored_bytes, stored, out); !unpacked) return unpacked;
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

Result<void> DifferenceStream::begin(ByteSpan frame) {
  frame_ = frame;
  used_ = 0;
  ZSTD_DCtx_reset(zstd_->context.get(), ZSTD_reset_session_only);
  return next({}, false);
}

Result<void> DifferenceStream::next(MutableByteSpan out, bool last) {
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
