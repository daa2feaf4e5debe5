#include "passes/unnamed.h"

#include <algorithm>

#include "files/atomic.h"
#include "passes/layout.h"

namespace steadycell::passes {

Result<std::vector<std::uint64_t>> pass_file_sizes(files::FileSystem& system, const std::string& folder) {
  const auto names = system.list(folder);
  if (!names) return failure(names.error());
  std::vector<std::uint64_t> sizes;
  for (std::uint32_t pass = 1; pass <= UnitIndex::kMaxPass; ++pass) {
    const std::string name = pass_name(pass);
    if (!std::ranges::binary_search(*names, name)) continue;
    const auto file = system.open_read(files::join(folder, name));
    const ErrorCode code = file ? ErrorCode::internal : file.error().code();
    if (!file && (code == ErrorCode::not_found || code == ErrorCode::bad_input_file || code == ErrorCode::bad_name)) continue;
    if (!file) return failure(file.error());
    const auto size = (*file)->size();
    if (!size) return failure(size.error());
    sizes.resize(pass);
    sizes[pass - 1] = *size;
  }
  return sizes;
}

std::vector<UnnamedBytes> unnamed_behind(std::span<const std::uint64_t> ends, std::span<const std::uint64_t> sizes) {
  std::vector<UnnamedBytes> unnamed;
  for (std::size_t i = 0; i < sizes.size(); ++i) {
    const std::uint64_t end = i < ends.size() ? ends[i] : 0;
    if (sizes[i] > end) unnamed.push_back({.pass = static_cast<std::uint32_t>(i + 1), .from = end, .bytes = sizes[i] - end});
  }
  return unnamed;
}

bool tell_of_a_lost_end(std::span<const UnnamedBytes> unnamed, const JournalBefore& journal) {
  if (unnamed.empty()) return false;
  const bool strict = journal.version >= 2;
  const std::uint64_t most = journal.block_bytes + (strict && journal.closed ? 0 : kSyncBytes);
  if (std::ranges::any_of(unnamed, [&](const UnnamedBytes& found) { return found.bytes > most; })) return true;
  if (!strict) return false;
  const std::uint32_t before = unnamed.front().pass - 1;
  const auto& sealed = journal.sealed_passes;
  return unnamed.size() > 1 || (before > 0 && journal.whole && std::ranges::find(sealed, before) == sealed.end());
}

json::Array to_json(std::span<const UnnamedBytes> unnamed) {
  json::Array array;
  for (const UnnamedBytes& found : unnamed)
    array.push_back(json::Object{{"pass", found.pass}, {"from", found.from}, {"bytes", found.bytes}});
  return array;
}

Result<std::vector<UnnamedBytes>> unnamed_from(const json::Value& value) {
  constexpr std::uint64_t kMost = std::uint64_t{1} << 61;  // both together: within what a unit's record can say
  const json::Array* const array = value.if_array();
  if (!array) return failure(ErrorCode::file_damaged, "a record of unnamed bytes lists none");
  std::vector<UnnamedBytes> unnamed;
  for (const json::Value& entry : *array) {
    json::Reader reader(entry, "unnamed_bytes");
    const auto pass = reader.number("pass", 1, UnitIndex::kMaxPass), from = reader.number("from", 0, kMost),
               bytes = reader.number("bytes", 1, kMost);
    for (const auto* number : {&pass, &from, &bytes})
      if (!*number) return failure(ErrorCode::file_damaged, "{}", number->error().what());
    unnamed.push_back({.pass = static_cast<std::uint32_t>(*pass), .from = *from, .bytes = *bytes});
  }
  return unnamed;
}

}  // namespace steadycell::passes
