#include "contact/socket_map.h"

#include <fmt/format.h>

#include <algorithm>
#include <cassert>
#include <vector>

#include "base/json.h"
#include "base/text.h"

namespace steadycell::contact {

std::span<const char* const> built_in_map_texts();  // made from maps/*.json by the build

namespace {

constexpr std::size_t kMaxName = 16;

tl::unexpected<Error> wrong(const std::string& path, std::string_view wanted) {
  return failure(ErrorCode::bad_input_file, "key \"{}\" should be {}", path, wanted);
}

std::optional<unsigned> position_in(const json::Value& value) {
  boost::system::error_code code;
  const auto position = value.to_number<unsigned>(code);
  if (code || position < 1 || position > kPositions || is_supply(position)) return std::nullopt;
  return position;
}

Result<void> read_signals(json::Reader& in, SocketMap& map) {
  const auto value = in.object("signals");
  if (!value) return failure(value.error());
  const std::string path = in.path_of("signals");
  if (!(*value)->is_object()) return wrong(path, "an object of signal names and positions");
  unsigned lanes = 0;
  map.chip_enables = 0;
  for (const auto& [key, at] : (*value)->get_object()) {
    const std::string name(key);
    const auto position = position_in(at);
    if (name.empty() || name.size() > kMaxName || name != printable(name)) return wrong(path, "named by short printable words");
    if (!position) return wrong(fmt::format("{}.{}", path, name), "a position from 1 to 48 that is no supply (12, 13, 36, 37)");
    if (map.signals[*position]) return wrong(fmt::format("{}.{}", path, name), "a position of its own");
    map.signals.set(*position);
    map.signal_names[*position] = name;
    lanes += name.starts_with("I/O") ? 1 : 0;
    map.chip_enables += name.starts_with("CE") ? 1 : 0;
  }
  if ((lanes != 8 && lanes != 16) || map.chip_enables == 0)
    return wrong(path, "the 8 or 16 lanes I/O0... and one CE# or more, with the other signals");
  map.bus_bits = lanes;
  return {};
}

Result<void> read_contacts(json::Reader& in, SocketMap& map) {
  const auto value = in.object_or_null("contacts");
  if (!value) return failure(value.error());
  if (!*value) return {};
  const std::string path = in.path_of("contacts");
  if (!(*value)->is_object()) return wrong(path, "an object of signal names and contacts");
  for (const auto& [key, contact] : (*value)->get_object()) {
    const std::string name(key);
    const auto at = std::find(map.signal_names.begin(), map.signal_names.end(), name);
    if (name.empty() || at == map.signal_names.end() || !contact.is_string())
      return wrong(path + "." + printable(name), "the contact of a signal of this map");
    map.contacts[static_cast<std::size_t>(at - map.signal_names.begin())] = printable(std::string_view(contact.get_string()));
  }
  return {};
}

Result<SocketMap> read_map(json::Reader& in) {
  SocketMap map;
  const auto schema = in.text("schema");
  if (!schema) return failure(schema.error());
  if (*schema != "steadycell-socket-map/1") return wrong("schema", "\"steadycell-socket-map/1\"");
  for (const auto& [key, into] :
       {std::pair{"name", &map.name}, {"title", &map.title}, {"package", &map.package}, {"source", &map.source}}) {
    const auto text = in.text(key);
    if (!text) return failure(text.error());
    if (text->empty()) return wrong(key, "a text");
    *into = printable(*text);
  }
  if (!safe_name(map.name)) return wrong("name", "made of letters, digits, dot, dash and underscore");
  const auto adapter = in.boolean_or("adapter", false);
  if (!adapter) return failure(adapter.error());
  map.adapter = *adapter;
  if (const auto done = read_signals(in, map); !done) return failure(done.error());
  if (const auto done = read_contacts(in, map); !done) return failure(done.error());
  for (const auto& [key, into] : {std::pair{"may_be_supply", &map.may_be_supply}, {"may_be_ground", &map.may_be_ground}}) {
    const auto positions = in.array_or_null(key);
    if (!positions) return failure(positions.error());
    for (std::size_t i = 0; *positions && i < (*positions)->size(); ++i) {
      const auto position = position_in((**positions)[i]);
      if (!position || map.signals[*position]) return wrong(fmt::format("{}[{}]", key, i), "a position without a signal");
      into->set(*position);
    }
  }
  if (const auto done = in.finish(); !done) return failure(done.error());
  return map;
}

const SocketMap& widest() {
  static const SocketMap& map = *find_built_in("tsop48-x16-2ce");
  return map;
}

}  // namespace

bool is_supply(unsigned position) { return position == 12 || position == 13 || position == 36 || position == 37; }

std::string SocketMap::name_of(unsigned position) const {
  if (position == kSupplyPositions[0] || position == kSupplyPositions[1]) return "VCC";
  if (position == kGroundPositions[0] || position == kGroundPositions[1]) return "VSS";
  return signal_names[position].empty() ? "NC" : signal_names[position];
}

std::string SocketMap::describe(unsigned position) const {
  if (!contacts[position].empty()) return fmt::format("pin {} ({}, contact {})", position, name_of(position), contacts[position]);
  return fmt::format("pin {} ({})", position, name_of(position));
}

Result<SocketMap> parse_map(std::string_view text) {
  const auto document = json::parse(text);
  if (!document) return failure(document.error());
  json::Reader in(*document, "");
  return read_map(in);
}

std::span<const SocketMap> built_in_maps() {
  static const std::vector<SocketMap> maps = [] {
    std::vector<SocketMap> out;
    for (const char* text : built_in_map_texts()) {
      auto map = parse_map(text);
      assert(map.has_value());
      out.push_back(std::move(*map));
    }
    return out;
  }();
  return maps;
}

const SocketMap* find_built_in(std::string_view name) {
  for (const SocketMap& map : built_in_maps())
    if (map.name == name) return &map;
  return nullptr;
}

std::string describe_position(unsigned position) { return widest().describe(position); }

std::optional<unsigned> position_of_lane(unsigned lane) {
  const std::string name = fmt::format("I/O{}", lane);
  for (unsigned position = 1; position <= kPositions; ++position)
    if (widest().signal_names[position] == name) return position;
  return std::nullopt;
}

}  // namespace steadycell::contact
