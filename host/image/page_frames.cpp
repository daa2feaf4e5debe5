#include "image/page_frames.h"

#include <zstd.h>
#include <zstd_errors.h>

#include <algorithm>
#include <array>

#include "base/no_memory.h"

namespace steadycell::image {
namespace {

constexpr int kLevel = 1;             // most bytes are zero: higher levels cost time and save nothing
constexpr int kWindowLog = 17;        // of what we write: one zstd block; it stays in the cache, and larger ones find nothing more
constexpr int kMaxWindowLog = 23;     // of what we read: the limit RFC 8878 recommends to support, 8 MiB
constexpr std::size_t kStep = 65536;  // decoded bytes handed on at a time
constexpr std::uint32_t kFrameMagic = 0xFD2FB528;  // RFC 8878, 3.1.1

// Writing fails for lack of memory alone.
std::size_t must(std::size_t code) {
  if (ZSTD_isError(code)) no_memory();
  return code;
}

}  // namespace

struct PageFrameWriter::Context {
  ZSTD_CCtx* zstd = ZSTD_createCCtx();
  std::array<std::uint8_t, kStep> out{};

  Context() {
    if (!zstd) no_memory();
    must(ZSTD_CCtx_setParameter(zstd, ZSTD_c_compressionLevel, kLevel));
    must(ZSTD_CCtx_setParameter(zstd, ZSTD_c_windowLog, kWindowLog));
    must(ZSTD_CCtx_setParameter(zstd, ZSTD_c_checksumFlag, 1));
  }
  ~Context() { ZSTD_freeCCtx(zstd); }
  Context(const Context&) = delete;
  Context& operator=(const Context&) = delete;
};

PageFrameWriter::PageFrameWriter(std::uint32_t pages_per_block)
    : context_(std::make_unique<Context>()), pages_per_block_(pages_per_block) {}
PageFrameWriter::~PageFrameWriter() = default;
PageFrameWriter::PageFrameWriter(PageFrameWriter&&) noexcept = default;
PageFrameWriter& PageFrameWriter::operator=(PageFrameWriter&&) noexcept = default;

void PageFrameWriter::add_page(ByteSpan content, Bytes& out, ByteSpan begin) {
  const bool last = ++pages_in_frame_ == pages_per_block_;
  if (last) pages_in_frame_ = 0;
  const auto compress = [&](ByteSpan bytes, ZSTD_EndDirective directive) {
    ZSTD_inBuffer in{bytes.data(), bytes.size(), 0};
    for (bool done = false; !done;) {
      ZSTD_outBuffer piece{context_->out.data(), context_->out.size(), 0};
      const std::size_t left = must(ZSTD_compressStream2(context_->zstd, &piece, &in, directive));
      out.insert(out.end(), context_->out.begin(), context_->out.begin() + static_cast<std::ptrdiff_t>(piece.pos));
      done = directive == ZSTD_e_end ? left == 0 : in.pos == in.size;
    }
  };
  if (!begin.empty()) compress(begin, ZSTD_e_continue);
  compress(content, last ? ZSTD_e_end : ZSTD_e_continue);
}

struct PageFrameReader::Context {
  ZSTD_DCtx* zstd = ZSTD_createDCtx();
  std::array<std::uint8_t, kStep> out{};
  Bytes magic;  // the first bytes of a frame, until they are four
  bool in_frame = false;

  Context() {
    if (!zstd) no_memory();
    must(ZSTD_DCtx_setParameter(zstd, ZSTD_d_windowLogMax, kMaxWindowLog));
  }
  ~Context() { ZSTD_freeDCtx(zstd); }
  Context(const Context&) = delete;
  Context& operator=(const Context&) = delete;

  // Decodes until the input is used up or the frame ends.
  Result<void> decode(ZSTD_inBuffer& in, const Sink& sink, std::uint64_t& frames) {
    for (;;) {
      ZSTD_outBuffer piece{out.data(), out.size(), 0};
      const std::size_t code = ZSTD_decompressStream(zstd, &piece, &in);
      if (ZSTD_getErrorCode(code) == ZSTD_error_memory_allocation) no_memory();
      if (ZSTD_isError(code))
        return failure(ErrorCode::file_damaged, "block {}: {}", frames, ZSTD_getErrorName(code));
      if (piece.pos > 0)
        if (auto taken = sink.bytes(ByteSpan(out.data(), piece.pos)); !taken) return taken;
      if (code == 0) {
        in_frame = false;
        ++frames;
        return sink.frame_end();
      }
      if (in.pos == in.size && piece.pos < piece.size) return {};
    }
  }
};

PageFrameReader::PageFrameReader() : context_(std::make_unique<Context>()) {}
PageFrameReader::~PageFrameReader() = default;
PageFrameReader::PageFrameReader(PageFrameReader&&) noexcept = default;
PageFrameReader& PageFrameReader::operator=(PageFrameReader&&) noexcept = default;

Result<void> PageFrameReader::feed(ByteSpan compressed, const Sink& sink) {
  while (!compressed.empty()) {
    if (!context_->in_frame) {
      // The magic is looked at here, so that old formats and skippable frames never reach the decoder.
      Bytes& magic = context_->magic;
      const std::size_t take = std::min<std::size_t>(4 - magic.size(), compressed.size());
      magic.insert(magic.end(), compressed.begin(), compressed.begin() + static_cast<std::ptrdiff_t>(take));
      compressed = compressed.subspan(take);
      if (magic.size() < 4) return {};
      if (load_u32(magic) != kFrameMagic)
        return failure(ErrorCode::file_damaged, "block {}: no zstd frame starts here", frames_);
      context_->in_frame = true;
      ZSTD_inBuffer in{magic.data(), magic.size(), 0};
      auto begun = context_->decode(in, sink, frames_);
      magic.clear();
      if (!begun) return begun;
    }
    ZSTD_inBuffer in{compressed.data(), compressed.size(), 0};
    if (auto decoded = context_->decode(in, sink, frames_); !decoded) return decoded;
    compressed = compressed.subspan(in.pos);
  }
  return {};
}

bool PageFrameReader::at_frame_border() const {
  return !context_->in_frame && context_->magic.empty();
}

}  // namespace steadycell::image
