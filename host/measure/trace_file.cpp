#include "measure/trace_file.h"

#include <zlib.h>

#include <algorithm>
#include <array>

#include "base/no_memory.h"
#include "files/atomic.h"

namespace steadycell::measure {
namespace {

constexpr std::size_t kPiece = 64 << 10;
constexpr int kGzipWindow = 15 + 16;  // zlib: gzip wrapping

bool is_gzip(std::string_view path) { return path.ends_with(".gz"); }

Bytef* zlib_bytes(const std::uint8_t* bytes) { return const_cast<Bytef*>(bytes); }  // zlib never writes through next_in

// Plain or gzip text, piece by piece.
class TextReader {
 public:
  TextReader(files::File& file, std::string path) : file_(&file), path_(std::move(path)), gzip_(is_gzip(path_)) {
    if (inflateInit2(&stream_, kGzipWindow) != Z_OK) no_memory();
  }
  ~TextReader() { inflateEnd(&stream_); }
  TextReader(const TextReader&) = delete;
  TextReader& operator=(const TextReader&) = delete;

  template <typename Use>
  Result<void> each(Use&& use) {
    Bytes in(kPiece);
    while (!cut_) {
      auto got = file_->read_at(offset_, in);
      if (!got) return failure(got.error());
      if (*got == 0) break;
      const ByteSpan piece = ByteSpan(in).first(*got);
      if (offset_ == 0) gzip_ = packed(piece);
      offset_ += *got;
      Result<void> used = gzip_ ? inflate_piece(piece, use) : use(as_text(piece));
      if (!used) return used;
    }
    cut_ |= gzip_ && !ended_;
    return {};
  }
  // The compressed stream has no end: whoever wrote it was killed, or lost power.
  bool cut() const { return cut_; }

 private:
  template <typename Use>
  Result<void> inflate_piece(ByteSpan piece, Use&& use) {
    Bytes out(kPiece);
    stream_.next_in = zlib_bytes(piece.data());
    stream_.avail_in = static_cast<uInt>(piece.size());
    while (stream_.avail_in > 0) {
      if (ended_) {  // a further gzip member may follow (RFC 1952, section 2.2)
        inflateReset(&stream_);
        ended_ = false;
      }
      stream_.next_out = out.data();
      stream_.avail_out = static_cast<uInt>(out.size());
      const int code = inflate(&stream_, Z_NO_FLUSH);
      if (code == Z_MEM_ERROR) no_memory();
      // What a power cut leaves behind the last sync reads as zeros on some file systems.
      cut_ = code == Z_DATA_ERROR && unwritten(piece);
      if (!cut_ && code != Z_OK && code != Z_STREAM_END && code != Z_BUF_ERROR)
        return failure(ErrorCode::bad_input_file, "{} is no whole gzip file: {}", path_, stream_.msg ? stream_.msg : "damaged");
      ended_ = code == Z_STREAM_END;
      const ByteSpan text = ByteSpan(out).first(out.size() - stream_.avail_out);
      if (Result<void> used = use(as_text(text)); !used) return used;
      if (cut_ || (code == Z_BUF_ERROR && text.empty())) break;
    }
    return {};
  }

  // By its first bytes (RFC 1952), whatever its name: some programs unpack what they fetch and keep the name. Zeros, as a power cut leaves
  // them, tell nothing: the name does.
  bool packed(ByteSpan first) const {
    const std::string_view text = as_text(first);
    return text.starts_with("\x1f\x8b") || (is_gzip(path_) && text.starts_with('\0'));
  }

  static bool unwritten(ByteSpan piece) {
    constexpr std::size_t kTrailer = 8;  // a whole file ends in its checksum and length, which are not all 0
    return piece.size() >= kTrailer && std::ranges::all_of(piece.last(kTrailer), [](auto byte) { return byte == decltype(byte){}; });
  }

  files::File* file_;
  std::string path_;
  bool gzip_, ended_ = false, cut_ = false;
  std::uint64_t offset_ = 0;
  z_stream stream_{};
};

}  // namespace

Result<LoadedTrace> load_trace(files::FileSystem& system, const std::string& path, const supply::TraceHeader& known) {
  auto file = system.open_read(path);
  if (!file) return failure(Error(file.error()).during("reading trace {}", path));
  TextReader reader(**file, path);
  supply::TraceParser parser;
  std::optional<supply::Analyzer> analyzer;
  const auto take = [&](const supply::Sample& sample) {
    if (!analyzer) {  // the header stands above the first sample
      supply::TraceHeader header = parser.header();
      if (known.rail) header.rail = known.rail;
      if (known.limit_mA) header.limit_mA = known.limit_mA;
      analyzer.emplace(header);
    }
    analyzer->add(sample);
  };
  auto read = reader.each([&](std::string_view text) { return parser.feed(text, take); });
  if (read) read = parser.finish(take, reader.cut());
  if (!read) return failure(Error(read.error()).during("reading trace {}", path));
  if (!analyzer) return failure(ErrorCode::bad_input_file, "trace {} holds no samples", path);
  LoadedTrace loaded;
  loaded.header = parser.header();
  loaded.features = analyzer->finish();
  loaded.samples = parser.samples();
  return loaded;
}

namespace {
Result<void> each_sample(files::FileSystem& system, const std::string& path, const supply::TraceParser::Sink& take) {
  auto file = system.open_read(path);
  if (!file) return failure(Error(file.error()).during("reading trace {}", path));
  TextReader reader(**file, path);
  supply::TraceParser parser;
  auto read = reader.each([&](std::string_view text) { return parser.feed(text, take); });
  if (read) read = parser.finish(take, reader.cut());
  if (!read) return failure(Error(read.error()).during("reading trace {}", path));
  return {};
}
}  // namespace

Result<std::vector<supply::Sample>> load_samples(files::FileSystem& system, const std::string& path, double from_s, double to_s) {
  constexpr std::size_t kMost = 100'000;
  std::vector<supply::Sample> samples;
  const auto read = each_sample(system, path, [&](const supply::Sample& sample) {
    if (sample.time_s >= from_s && sample.time_s < to_s && samples.size() < kMost) samples.push_back(sample);
  });
  if (!read) return failure(read.error());
  return samples;
}

Result<Digest> fingerprint(files::FileSystem& system, const std::string& path) {
  Sha256 hash;
  std::string line;
  const auto read = each_sample(system, path, [&](const supply::Sample& sample) {
    line.clear();
    supply::append_sample(sample, false, line);
    hash.update(as_bytes(line));
  });
  if (!read) return failure(read.error());
  return hash.finish();
}

struct TraceWriter::Inside {
  std::unique_ptr<files::File> file;
  std::string directory;
  files::FileSystem* system = nullptr;
  bool gzip = false, finished = false;
  std::uint64_t offset = 0;
  z_stream stream{};
  Bytes out = Bytes(kPiece);

  ~Inside() {
    if (gzip) deflateEnd(&stream);
  }

  Result<void> write(ByteSpan bytes) {
    auto written = file->write_at(offset, bytes);
    if (written) offset += bytes.size();
    return written;
  }
  Result<void> compress(std::string_view text, int flush) {
    stream.next_in = zlib_bytes(as_bytes(text).data());
    stream.avail_in = static_cast<uInt>(text.size());
    do {
      stream.next_out = out.data();
      stream.avail_out = static_cast<uInt>(out.size());
      deflate(&stream, flush);
      if (auto written = write(ByteSpan(out).first(out.size() - stream.avail_out)); !written) return written;
    } while (stream.avail_out == 0);
    return {};
  }
};

TraceWriter::TraceWriter(std::unique_ptr<Inside> inside) : inside_(std::move(inside)) {}
TraceWriter::TraceWriter(TraceWriter&&) noexcept = default;
TraceWriter::~TraceWriter() = default;

Result<TraceWriter> TraceWriter::create(files::FileSystem& system, const std::string& path) {
  auto file = system.create(path);
  if (!file) return failure(Error(file.error()).during("making trace {}", path));
  auto inside = std::make_unique<Inside>();
  inside->file = std::move(*file);
  inside->system = &system;
  inside->directory = files::parent_of(path);
  if (is_gzip(path)) {
    if (deflateInit2(&inside->stream, Z_DEFAULT_COMPRESSION, Z_DEFLATED, kGzipWindow, 8, Z_DEFAULT_STRATEGY) != Z_OK) no_memory();
    inside->gzip = true;
  }
  return TraceWriter(std::move(inside));
}

Result<void> TraceWriter::append(std::string_view text) {
  return inside_->gzip ? inside_->compress(text, Z_SYNC_FLUSH) : inside_->write(as_bytes(text));
}

Result<void> TraceWriter::sync() { return inside_->file->sync(); }

Result<void> TraceWriter::finish() {
  if (inside_->gzip)
    if (auto ended = inside_->compress({}, Z_FINISH); !ended) return ended;
  if (auto synced = inside_->file->sync(); !synced) return synced;
  return inside_->system->sync_directory(inside_->directory);
}

}  // namespace steadycell::measure
