#include "image/manifest.h"

#include <algorithm>

#include "base/text.h"

namespace steadycell::image {
namespace {

constexpr std::string_view kSchemaName = "steadycell-image/";
constexpr std::string_view kSchema = "steadycell-image/1";
constexpr std::size_t kMaxText = std::size_t{16} << 20;

// Limits of geometry that a manifest may claim; wider than any part known, narrow enough for checked arithmetic.
constexpr std::uint64_t kMaxPageBytes = 65536, kMaxPagesPerBlock = 8192, kMaxBlocks = 1u << 20, kMaxLuns = 16;

json::Array texts(const std::vector<std::string>& list) {
  json::Array out;
  for (const std::string& text : list) out.emplace_back(text);
  return out;
}

json::Object geometry_json(const Geometry& g) {
  return {{"page_bytes", g.page_bytes},
          {"spare_bytes", g.spare_bytes},
          {"pages_per_block", g.pages_per_block},
          {"blocks", g.blocks},
          {"luns", g.luns},
          {"planes", g.planes},
          {"bits_per_cell", g.bits_per_cell},
          {"bus_bits", g.bus_bits},
          {"column_cycles", g.column_cycles},
          {"row_cycles", g.row_cycles}};
}

// Reads members into fields and remembers the first failure, so that the happy path reads straight down.
class Fields {
 public:
  Fields(const json::Value& value, std::string path) : value_(&value), reader_(value, std::move(path)) {}

  template <typename Number>
  void number(std::string_view key, Number& out, std::uint64_t low, std::uint64_t high) {
    if (auto got = keep(reader_.number(key, low, high))) out = static_cast<Number>(*got);
  }
  void real_or_null(std::string_view key, std::optional<double>& out, double low, double high) {
    const json::Object* object = value_->if_object();
    const json::Value* found = object ? object->if_contains(key) : nullptr;
    if (found && found->is_null())
      keep(reader_.object_or_null(key));
    else if (const auto got = keep(reader_.real(key, low, high)))
      out = *got;
  }
  void text(std::string_view key, std::string& out, std::size_t longest = 4096) {
    auto got = keep(reader_.text(key));
    if (!got) return;
    if (got->size() > longest) return fail(key, fmt::format("at most {} bytes long", longest));
    out = std::move(*got);
  }
  void digest(std::string_view key, Digest& out) {
    std::string text_of_digest;
    text(key, text_of_digest);
    if (failed_) return;
    const auto got = parse_digest(text_of_digest);
    if (!got) return fail(key, "64 hex digits");
    out = *got;
  }
  void hex_bytes(std::string_view key, Bytes& out) {
    std::string hex_text;
    text(key, hex_text, kMaxText);
    if (failed_) return;
    auto got = hex_text.empty() ? Bytes{} : parse_hex(hex_text);
    if (!got) return fail(key, "pairs of hex digits");
    out = std::move(*got);
  }
  void texts(std::string_view key, std::vector<std::string>& out) {
    each(key, [&](const json::Value& value, const std::string& path) -> Result<void> {
      if (!value.is_string()) return failure(ErrorCode::bad_input_file, "key \"{}\" should be a text", path);
      out.emplace_back(value.as_string());
      return {};
    });
  }
  const json::Value* object(std::string_view key) {
    auto got = keep(reader_.object(key));
    return got ? *got : nullptr;
  }
  const json::Value* object_or_null(std::string_view key) {
    auto got = keep(reader_.object_or_null(key));
    return got ? *got : nullptr;
  }
  template <typename Take>
  void each(std::string_view key, const Take& take) {
    const auto list = keep(reader_.array(key));
    if (!list) return;
    for (std::size_t i = 0; i < (*list)->size() && !failed_; ++i)
      if (auto taken = take((**list)[i], fmt::format("{}[{}]", reader_.path_of(key), i)); !taken)
        failed_ = taken.error();
  }
  void fail(std::string_view key, std::string_view wanted) {
    if (!failed_)
      failed_ =
          Error(ErrorCode::bad_input_file, fmt::format("key \"{}\" should be {}", reader_.path_of(key), wanted));
  }
  bool ok() const { return !failed_; }
  // The first failure, else what is left over: keys that nobody asked for.
  Result<void> finish() {
    if (failed_) return failure(*failed_);
    return reader_.finish();
  }

 private:
  template <typename T>
  std::optional<T> keep(Result<T> got) {
    if (failed_) return std::nullopt;
    if (got) return std::move(*got);
    failed_ = std::move(got.error());
    return std::nullopt;
  }

  const json::Value* value_;
  json::Reader reader_;
  std::optional<Error> failed_;
};

Result<Geometry> parse_geometry(const json::Value& value) {
  Geometry g;
  Fields f(value, "geometry");
  f.number("page_bytes", g.page_bytes, 1, kMaxPageBytes);
  f.number("spare_bytes", g.spare_bytes, 0, kMaxPageBytes);
  f.number("pages_per_block", g.pages_per_block, 1, kMaxPagesPerBlock);
  f.number("blocks", g.blocks, 1, kMaxBlocks);
  f.number("luns", g.luns, 1, kMaxLuns);
  f.number("planes", g.planes, 1, 16);
  f.number("bits_per_cell", g.bits_per_cell, 1, 8);
  f.number("bus_bits", g.bus_bits, 8, 16);
  f.number("column_cycles", g.column_cycles, 1, 8);
  f.number("row_cycles", g.row_cycles, 1, 8);
  if (g.bus_bits != 8 && g.bus_bits != 16) f.fail("bus_bits", "8 or 16");
  if (g.pages_per_lun() > 0xFFFF'FFFF) f.fail("blocks", "such that pages can be counted in 32 bits");
  if (auto done = f.finish(); !done) return failure(done.error());
  return g;
}

Result<Identity> parse_identity(const json::Value& value, const std::string& path) {
  Identity id;
  Fields f(value, path);
  f.number("target", id.target, 0, 0xFF);
  f.hex_bytes("id_bytes", id.id_bytes);
  f.hex_bytes("parameter_page", id.parameter_page);
  f.text("maker", id.maker);
  f.text("model", id.model);
  f.text("source", id.source);
  if (auto done = f.finish(); !done) return failure(done.error());
  return id;
}

Result<Condition> parse_condition(const json::Value& value, const std::string& path) {
  Condition c;
  Fields f(value, path);
  f.number("supply_mV", c.supply_mV, 0, 10'000);
  f.text("timing", c.timing);
  f.number("retry_level", c.retry_level, 0, 255);
  f.text("temperature", c.temperature);
  f.number("passes", c.passes, 0, 0xFFFF'FFFF);
  if (auto done = f.finish(); !done) return failure(done.error());
  return c;
}

Result<BlockRange> parse_range(const json::Value& value, const std::string& path) {
  boost::system::error_code first_bad, count_bad;
  const json::Array* pair = value.if_array();
  if (pair && pair->size() == 2) {
    const auto first = (*pair)[0].to_number<std::uint32_t>(first_bad);
    const auto count = (*pair)[1].to_number<std::uint32_t>(count_bad);
    if (!first_bad && !count_bad) return BlockRange{first, count};
  }
  return failure(ErrorCode::bad_input_file, "key \"{}\" should be [first_block, count]", path);
}

Result<LunCoverage> parse_lun(const json::Value& value, const std::string& path) {
  LunCoverage lun;
  Fields f(value, path);
  f.number("target", lun.place.target, 0, 0xFF);
  f.number("lun", lun.place.lun, 0, 0xFF);
  f.text("file", lun.file);
  f.each("ranges", [&](const json::Value& range, const std::string& at) -> Result<void> {
    auto parsed = parse_range(range, at);
    if (!parsed) return failure(parsed.error());
    lun.ranges.push_back(*parsed);
    return {};
  });
  if (auto done = f.finish(); !done) return failure(done.error());
  return lun;
}

Result<FileEntry> parse_file(const json::Value& value, const std::string& path) {
  FileEntry file;
  Fields f(value, path);
  f.text("name", file.name);
  f.number("bytes", file.bytes, 0, std::uint64_t{1} << 60);
  f.digest("sha256", file.sha256);
  // Names never lead out of the bundle's folder, nor onto the manifest itself.
  if (f.ok() && (!safe_name(file.name) || file.name == kManifestName))
    f.fail("name", "a plain file name of letters, digits, dot, dash and underscore");
  if (auto done = f.finish(); !done) return failure(done.error());
  return file;
}

Result<void> parse_summary(const json::Value& value, Manifest& m) {
  Fields f(value, "summary");
  std::uint64_t pages = 0;
  f.number("pages", pages, 0, ~std::uint64_t{0});
  if (const json::Value* verdicts = f.object("verdicts")) {
    Fields counts(*verdicts, "summary.verdicts");
    for (std::size_t i = 0; i < kVerdicts; ++i)
      counts.number(name_of(static_cast<Verdict>(i)), m.summary.pages[i], 0, std::uint64_t{1} << 40);
    if (auto done = counts.finish(); !done) return done;
  }
  f.number("unstable_bits", m.summary.unstable_bits, 0, ~std::uint64_t{0});
  f.number("corrected_bits", m.summary.corrected_bits, 0, ~std::uint64_t{0});
  f.real_or_null("raw_bit_error_rate", m.raw_bit_error_rate, 0, 1);
  if (f.ok() && pages != m.summary.total()) f.fail("pages", "the sum of the verdicts");
  return f.finish();
}

// What the files must be for this geometry and coverage.
Result<void> check_files(const Manifest& m) {
  const auto coverage = CoverageMap::make(m.geometry, m.coverage);
  if (!coverage) return failure(coverage.error());
  for (std::size_t i = 0; i < m.files.size(); ++i)
    for (std::size_t j = 0; j < i; ++j)
      if (m.files[i].name == m.files[j].name)
        return failure(ErrorCode::bad_input_file, "files: \"{}\" stands twice", m.files[i].name);
  const auto sized = [&](std::string_view name, std::optional<std::uint64_t> bytes) -> Result<void> {
    const FileEntry* entry = m.file(name);
    if (!entry) return failure(ErrorCode::bad_input_file, "files: \"{}\" is missing", printable(name));
    if (bytes && entry->bytes != *bytes)
      return failure(ErrorCode::bad_input_file, "files: \"{}\" has {} bytes, the coverage makes {}", name,
                     entry->bytes, *bytes);
    return {};
  };
  for (std::size_t i = 0; i < m.coverage.size(); ++i) {
    for (std::size_t j = 0; j < i; ++j)
      if (m.coverage[i].file == m.coverage[j].file)
        return failure(ErrorCode::bad_input_file, "coverage: two LUNs share the file \"{}\"",
                       printable(m.coverage[i].file));
    if (auto ok = sized(m.coverage[i].file, coverage->file_bytes(i)); !ok) return ok;
  }
  for (const auto name : {kCorrectionsName, kVerdictsName, kMarginsName})
    if (auto ok = sized(name, std::nullopt); !ok) return ok;
  if (auto ok = sized(kBlockHashesName, coverage->blocks() * sizeof(Digest)); !ok) return ok;
  if (m.summary.total() != coverage->pages())
    return failure(ErrorCode::bad_input_file, "summary: verdicts for {} pages, the coverage has {}",
                   m.summary.total(), coverage->pages());
  return {};
}

// The version is looked at before anything else, so that a newer file is named as such.
Result<void> check_schema(const json::Value& value) {
  const json::Object* object = value.if_object();
  const json::Value* schema = object ? object->if_contains("schema") : nullptr;
  const boost::json::string* found = schema ? schema->if_string() : nullptr;
  const std::string_view name = found ? std::string_view(found->data(), found->size()) : std::string_view();
  if (name == kSchema) return {};
  if (name.starts_with(kSchemaName))
    return failure(ErrorCode::version_unknown, "manifest schema \"{}\", this program reads \"{}\"",
                   printable(name), kSchema);
  if (schema == nullptr)
    return failure(ErrorCode::bad_input_file, "not an image manifest: key \"schema\" is missing, it should be \"{}\"", kSchema);
  return failure(ErrorCode::bad_input_file, "not an image manifest: schema \"{}\", expected \"{}\"",
                 printable(name), kSchema);
}

}  // namespace

const FileEntry* Manifest::file(std::string_view name) const {
  const auto found = std::find_if(files.begin(), files.end(), [&](const FileEntry& f) { return f.name == name; });
  return found == files.end() ? nullptr : &*found;
}

json::Value to_json(const Manifest& m) {
  json::Array identity, conditions, coverage, files;
  for (const Identity& id : m.identity)
    identity.push_back(json::Object{{"target", id.target},
                                    {"id_bytes", hex_spaced(id.id_bytes)},
                                    {"parameter_page", hex(id.parameter_page)},
                                    {"maker", id.maker},
                                    {"model", id.model},
                                    {"source", id.source}});
  for (const Condition& c : m.conditions)
    conditions.push_back(json::Object{{"supply_mV", c.supply_mV},
                                      {"timing", c.timing},
                                      {"retry_level", c.retry_level},
                                      {"temperature", c.temperature},
                                      {"passes", c.passes}});
  for (const LunCoverage& lun : m.coverage) {
    json::Array ranges;
    for (const BlockRange& range : lun.ranges) ranges.push_back(json::Array{range.first, range.count});
    coverage.push_back(json::Object{
        {"target", lun.place.target}, {"lun", lun.place.lun}, {"file", lun.file}, {"ranges", ranges}});
  }
  for (const FileEntry& f : m.files)
    files.push_back(json::Object{{"name", f.name}, {"bytes", f.bytes}, {"sha256", to_text(f.sha256)}});

  json::Object verdicts;
  for (std::size_t i = 0; i < kVerdicts; ++i) verdicts[name_of(static_cast<Verdict>(i))] = m.summary.pages[i];
  json::Object summary{{"pages", m.summary.total()},
                       {"verdicts", verdicts},
                       {"unstable_bits", m.summary.unstable_bits},
                       {"corrected_bits", m.summary.corrected_bits},
                       {"raw_bit_error_rate", nullptr}};
  if (m.raw_bit_error_rate) summary["raw_bit_error_rate"] = *m.raw_bit_error_rate;

  return json::Object{
      {"schema", kSchema},
      {"geometry", geometry_json(m.geometry)},
      {"identity", identity},
      {"capture", json::Object{{"uuid", m.capture_uuid}, {"journal_head", to_text(m.journal_head)}}},
      {"scheme", m.scheme ? *m.scheme : json::Value()},
      {"conditions", conditions},
      {"coverage", coverage},
      {"not_read", texts(m.not_read)},
      {"fill_byte", m.fill_byte},
      {"summary", summary},
      {"notes", texts(m.notes)},
      {"tool", json::Object{{"name", m.tool}, {"version", m.version}, {"build", m.build}}},
      {"files", files}};
}

Result<Manifest> parse_manifest(std::string_view text) {
  if (text.size() > kMaxText)
    return failure(ErrorCode::bad_input_file, "manifest of {}, expected at most {}", human_bytes(text.size()),
                   human_bytes(kMaxText));
  const auto value = json::parse(text);
  if (!value) return failure(value.error());
  if (auto known = check_schema(*value); !known) return failure(known.error());

  Manifest m;
  std::string schema;
  Fields f(*value, "");
  f.text("schema", schema);
  if (const json::Value* part = f.object("geometry")) {
    auto geometry = parse_geometry(*part);
    if (!geometry) return failure(geometry.error());
    m.geometry = *geometry;
  }
  const auto append = [](auto& list, auto parsed) -> Result<void> {
    if (!parsed) return failure(parsed.error());
    list.push_back(std::move(*parsed));
    return {};
  };
  f.each("identity", [&](const json::Value& v, const std::string& path) {
    return append(m.identity, parse_identity(v, path));
  });
  if (const json::Value* part = f.object("capture")) {
    Fields capture(*part, "capture");
    capture.text("uuid", m.capture_uuid);
    capture.digest("journal_head", m.journal_head);
    if (capture.ok() && !safe_name(m.capture_uuid)) capture.fail("uuid", "a UUID");
    if (auto done = capture.finish(); !done) return failure(done.error());
  }
  if (const json::Value* part = f.object_or_null("scheme")) m.scheme = *part;
  f.each("conditions", [&](const json::Value& v, const std::string& path) {
    return append(m.conditions, parse_condition(v, path));
  });
  f.each("coverage",
         [&](const json::Value& v, const std::string& path) { return append(m.coverage, parse_lun(v, path)); });
  f.texts("not_read", m.not_read);
  f.number("fill_byte", m.fill_byte, 0, 0xFF);
  if (const json::Value* part = f.object("summary"))
    if (auto done = parse_summary(*part, m); !done) return failure(done.error());
  f.texts("notes", m.notes);
  if (const json::Value* part = f.object("tool")) {
    Fields tool(*part, "tool");
    tool.text("name", m.tool);
    tool.text("version", m.version);
    tool.text("build", m.build);
    if (auto done = tool.finish(); !done) return failure(done.error());
  }
  f.each("files",
         [&](const json::Value& v, const std::string& path) { return append(m.files, parse_file(v, path)); });
  if (auto done = f.finish(); !done) return failure(done.error());
  if (auto checked = check_files(m); !checked) return failure(checked.error());
  return m;
}

}  // namespace steadycell::image
