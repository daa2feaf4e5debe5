#include "service/contacts.h"

#include <algorithm>

#include "base/text.h"
#include "contact/picture.h"
#include "contact/table.h"
#include "files/atomic.h"
#include "service/methods.h"
#include "service/results.h"

namespace steadycell::service {
namespace {

constexpr std::uint64_t kMaxMap = 64 << 10, kMaxTable = 64 << 20;

json::Object reading_json(const contact::Reading& reading) { return {{"plus_mV", reading.plus_mV}, {"minus_mV", reading.minus_mV}}; }

std::string names_of(const std::vector<contact::Case>& cases) {
  constexpr std::size_t kNamed = 12;
  std::string out;
  for (std::size_t i = 0; i < std::min(cases.size(), kNamed); ++i) out += (i ? ", " : "") + printable(cases[i].name);
  return cases.size() > kNamed ? out + ", ..." : out;
}

}  // namespace

Result<contact::SocketMap> load_map(const std::string& name_or_file) {
  if (const contact::SocketMap* map = contact::find_built_in(name_or_file)) return *map;
  const auto text = files::read_text(files::posix(), name_or_file, kMaxMap);
  if (!text && text.error().code() == ErrorCode::not_found) {
    std::string names;
    for (const contact::SocketMap& map : contact::built_in_maps()) names += (names.empty() ? "" : ", ") + map.name;
    return failure(Error(ErrorCode::wrong_usage, fmt::format("\"{}\" is neither a built-in socket map nor a file", printable(name_or_file)))
                       .advising("built in are " + names));
  }
  if (!text) return failure(text.error());
  auto map = contact::parse_map(*text);
  if (!map) return failure(std::move(map.error()).during("socket map \"{}\"", printable(name_or_file)));
  return map;
}

json::Object contact_json(const contact::Readings& readings, const contact::Verdict& verdict) {
  json::Object object = to_json(verdict);
  object["rail"] = reading_json(readings.rail);
  json::Array positions;
  for (unsigned p = 1; p <= contact::kPositions; ++p) {
    const contact::Reading& reading = readings.positions[p - 1];
    json::Object one{{"position", p}, {"name", verdict.map.name_of(p)}, {"shows", contact::to_text(verdict.contacts[p])}};
    if (!verdict.map.contacts[p].empty()) one["contact"] = verdict.map.contacts[p];
    if (verdict.contacts[p] != contact::Contact::held)
      for (auto& [key, value] : reading_json(reading)) one[key] = value;
    if (reading.bridged_with != 0) one["bridged_with"] = reading.bridged_with;
    positions.push_back(std::move(one));
  }
  object["positions"] = std::move(positions);
  object["drawing"] = to_json(contact::draw_text(readings, verdict));
  return object;
}

Result<void> check_drawing_target(const std::string& path) {
  if (path.empty()) return {};
  return files::check_free(files::posix(), path);
}

Result<void> write_drawing(const std::string& path, const contact::Readings& readings, const contact::Verdict& verdict,
                           const std::string& title) {
  if (path.empty()) return {};
  const std::string svg = contact::draw_svg(readings, verdict, title);
  return files::write_whole(files::posix(), path, as_bytes(svg));
}

Result<json::Object> socket_judge(json::Reader& params, const JobHooks&) {
  const auto path = params.text("table");
  if (!path) return failure(path.error());
  const auto name = params.text_or("case", ""), map_name = params.text_or("map", ""), svg = params.text_or("svg", "");
  for (const auto* text : {&name, &map_name, &svg})
    if (!*text) return failure(text->error());
  if (const auto done = params.finish(); !done) return failure(done.error());

  std::optional<contact::SocketMap> map;
  if (!map_name->empty()) {
    auto loaded = load_map(*map_name);
    if (!loaded) return failure(loaded.error());
    map.emplace(std::move(*loaded));
  }
  if (const auto free = check_drawing_target(*svg); !free) return failure(free.error());
  const auto text = files::read_text(files::posix(), *path, kMaxTable);
  if (!text) return failure(text.error());
  auto cases = contact::parse_table(*text);
  if (!cases) return failure(std::move(cases.error()).during("table \"{}\"", printable(*path)));
  if (!name->empty()) {
    const std::string all = names_of(*cases);
    std::erase_if(*cases, [&](const contact::Case& one) { return one.name != *name; });
    if (cases->empty())
      return failure(Error(ErrorCode::wrong_usage, fmt::format("table \"{}\" has no case \"{}\"", printable(*path), printable(*name)))
                         .advising("it has " + all));
  }
  if (cases->size() > 1 && !svg->empty())
    return failure(
        Error(ErrorCode::wrong_usage, fmt::format("table \"{}\" has {} cases, one drawing shows one", printable(*path), cases->size()))
            .advising("name one with --case: " + names_of(*cases)));

  const auto judged = [&](const contact::Case& one) { return contact::judge(one.readings, map ? &*map : nullptr); };
  json::Object result{{"table", *path}};
  if (cases->size() == 1) {
    const contact::Case& one = cases->front();
    const contact::Verdict verdict = judged(one);
    if (const auto drawn = write_drawing(*svg, one.readings, verdict, one.name.empty() ? *path : one.name); !drawn)
      return failure(drawn.error());
    if (!one.name.empty()) result["case"] = one.name;
    for (auto& [key, value] : contact_json(one.readings, verdict)) result[key] = value;
    if (!svg->empty()) result["svg"] = *svg;
    return result;
  }
  json::Array list;
  for (const contact::Case& one : *cases) {
    json::Object entry{{"case", one.name}};
    for (auto& [key, value] : to_json(judged(one))) entry[key] = value;
    list.push_back(std::move(entry));
  }
  result["cases"] = std::move(list);
  return result;
}

}  // namespace steadycell::service
