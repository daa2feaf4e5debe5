#include "passes/head.h"

#include <sys/random.h>

#include <algorithm>
#include <array>

#include "base/text.h"

namespace steadycell::passes {
namespace {

constexpr std::string_view kSchema = "steadycell-capture/";  // and the version

json::Object to_json(const Geometry& g) {
  return {{"page_bytes", g.page_bytes}, {"spare_bytes", g.spare_bytes}, {"pages_per_block", g.pages_per_block},
          {"blocks", g.blocks},         {"luns", g.luns},               {"planes", g.planes},
          {"bits_per_cell", g.bits_per_cell}, {"bus_bits", g.bus_bits}, {"column_cycles", g.column_cycles},
          {"row_cycles", g.row_cycles}};
}

struct Bound {
  std::string_view key;
  std::uint32_t Geometry::*member;
  std::uint32_t low, high;
};
constexpr Bound kBounds[] = {{"page_bytes", &Geometry::page_bytes, 512, 65536},   {"spare_bytes", &Geometry::spare_bytes, 0, 32768},
                             {"pages_per_block", &Geometry::pages_per_block, 1, 8192}, {"blocks", &Geometry::blocks, 1, kMaxBlocks},
                             {"luns", &Geometry::luns, 1, 16},                     {"planes", &Geometry::planes, 1, 16},
                             {"bits_per_cell", &Geometry::bits_per_cell, 1, 8},    {"bus_bits", &Geometry::bus_bits, 8, 16},
                             {"column_cycles", &Geometry::column_cycles, 1, 2},    {"row_cycles", &Geometry::row_cycles, 1, 4}};

Result<Geometry> geometry_from(const json::Value& value) {
  json::Reader reader(value, "geometry");
  Geometry g;
  for (const Bound& bound : kBounds) {
    const auto number = reader.number(bound.key, bound.low, bound.high);
    if (!number) return failure(number.error());
    g.*bound.member = static_cast<std::uint32_t>(*number);
  }
  if (const auto done = reader.finish(); !done) return failure(done.error());
  if (const auto checked = check_geometry(g); !checked) return failure(checked.error());
  return g;
}

Result<Bytes> hex_field(json::Reader& reader, std::string_view key) {
  const auto text = reader.text(key);
  if (!text) return failure(text.error());
  auto bytes = parse_hex(*text);
  if (!bytes) return failure(ErrorCode::bad_input_file, "key \"{}\" should be hex digits", reader.path_of(key));
  return std::move(*bytes);
}

Result<TargetIdentity> target_from(const json::Value& value, const std::string& path) {
  json::Reader reader(value, path);
  TargetIdentity identity;
  const auto target = reader.number("target", 0, 15);
  auto id = hex_field(reader, "id_bytes"), page = hex_field(reader, "parameter_page");
  auto maker = reader.text("maker"), model = reader.text("model"), source = reader.text("source");
  for (const auto* text : {&maker, &model, &source})
    if (!*text) return failure(text->error());
  if (!target) return failure(target.error());
  if (!id) return failure(id.error());
  if (!page) return failure(page.error());
  if (const auto done = reader.finish(); !done) return failure(done.error());
  identity.target = static_cast<std::uint8_t>(*target);
  identity.id_bytes = std::move(*id);
  identity.parameter_page = std::move(*page);
  identity.maker = std::move(*maker);
  identity.model = std::move(*model);
  identity.source = std::move(*source);
  return identity;
}

}  // namespace

Result<void> check_geometry(const Geometry& g) {
  for (const Bound& bound : kBounds)
    if (g.*bound.member < bound.low || g.*bound.member > bound.high)
      return failure(ErrorCode::bad_input_file, "geometry: {} is {}, {} to {} are possible", bound.key, g.*bound.member, bound.low,
                     bound.high);
  if (g.bus_bits != 8 && g.bus_bits != 16)
    return failure(ErrorCode::bad_input_file, "geometry: bus_bits is {}, 8 or 16 are possible", g.bus_bits);
  // Whole units are held in memory. The largest blocks of TSOP48 parts have about 43 MB (2304 pages of 18592 bytes; from memory).
  if (g.block_raw_bytes() > kMaxBlockBytes)
    return failure(ErrorCode::bad_input_file, "geometry: a block has {}, at most {} are possible", human_bytes(g.block_raw_bytes()),
                   human_bytes(kMaxBlockBytes));
  return {};
}

std::string page_size_doubt(std::uint32_t page_bytes) {
  constexpr std::array<std::uint32_t, 5> kUsual{512, 2048, 4096, 8192, 16384};
  if (std::ranges::find(kUsual, page_bytes) != kUsual.end()) return "";
  return fmt::format(
      "{} is no usual number of data bytes of a page: most chips have {}. With a wrong page size pages are cut in "
      "the wrong places, and no code and no contents are found; the data sheet tells the size, page and spare area apart",
      page_bytes, fmt::join(kUsual, ", "));
}

std::string head_text(const CaptureHead& head) {
  json::Array targets;
  for (const TargetIdentity& t : head.targets)
    targets.push_back(json::Object{{"target", t.target}, {"id_bytes", hex(t.id_bytes)}, {"parameter_page", hex(t.parameter_page)},
                                   {"maker", t.maker}, {"model", t.model}, {"source", t.source}});
  return json::pretty(json::Object{{"schema", fmt::format("{}{}", kSchema, head.version)}, {"uuid", head.uuid},
                                   {"origin", head.origin}, {"board", head.board_uuid},
                                   {"geometry", to_json(head.geometry)}, {"targets", std::move(targets)},
                                   {"supply_mV", head.supply_mV}, {"timing", head.timing}, {"tool", head.tool}});
}

Result<CaptureHead> parse_head(std::string_view text) {
  const auto value = json::parse(text);
  if (!value) return failure(value.error());
  json::Reader reader(*value, "");
  const auto schema = reader.text("schema");
  if (!schema) return failure(schema.error());
  if (!schema->starts_with(kSchema)) return failure(ErrorCode::bad_input_file, "schema \"{}\" is not that of a capture", *schema);
  CaptureHead head;
  const auto version = parse_number(std::string_view(*schema).substr(kSchema.size()));
  if (!version || *version < 1 || *version > CaptureHead::kNewestVersion)
    return failure(ErrorCode::version_unknown, "capture has schema {}, this program reads {}1 to {}{}", *schema, kSchema, kSchema,
                   CaptureHead::kNewestVersion);
  head.version = static_cast<std::uint32_t>(*version);
  for (const auto& [key, into] : {std::pair{"uuid", &head.uuid}, {"origin", &head.origin}, {"board", &head.board_uuid},
                                  {"timing", &head.timing}, {"tool", &head.tool}}) {
    auto field = reader.text(key);
    if (!field) return failure(field.error());
    *into = std::move(*field);
  }
  const auto supply = reader.number("supply_mV", 0, 10000);
  if (!supply) return failure(supply.error());
  head.supply_mV = static_cast<std::uint32_t>(*supply);
  const auto geometry = reader.object("geometry");
  if (!geometry) return failure(geometry.error());
  const auto parsed = geometry_from(**geometry);
  if (!parsed) return failure(parsed.error());
  head.geometry = *parsed;
  const auto targets = reader.array("targets");
  if (!targets) return failure(targets.error());
  if ((*targets)->empty() || (*targets)->size() > 16)
    return failure(ErrorCode::bad_input_file, "key \"targets\" should list 1 to 16 targets");
  for (std::size_t i = 0; i < (*targets)->size(); ++i) {
    auto target = target_from((**targets)[i], fmt::format("targets[{}]", i));
    if (!target) return failure(target.error());
    if (std::any_of(head.targets.begin(), head.targets.end(), [&](const TargetIdentity& other) { return other.target == target->target; }))
      return failure(ErrorCode::bad_input_file, "key \"targets\" lists target {} twice", target->target);
    head.targets.push_back(std::move(*target));
  }
  if (const auto done = reader.finish(); !done) return failure(done.error());
  return head;
}

std::string make_uuid() {
  std::array<std::uint8_t, 16> bytes{};
  // So few bytes come whole, but for a signal while the machine has only just started.
  while (::getrandom(bytes.data(), bytes.size(), 0) != static_cast<ssize_t>(bytes.size())) continue;
  bytes[6] = static_cast<std::uint8_t>((bytes[6] & 0x0F) | 0x40);
  bytes[8] = static_cast<std::uint8_t>((bytes[8] & 0x3F) | 0x80);
  const std::string text = hex(bytes);
  return fmt::format("{}-{}-{}-{}-{}", text.substr(0, 8), text.substr(8, 4), text.substr(12, 4), text.substr(16, 4), text.substr(20));
}

}  // namespace steadycell::passes
