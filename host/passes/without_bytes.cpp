#include "passes/without_bytes.h"

#include <algorithm>

#include "files/atomic.h"
#include "passes/layout.h"

namespace steadycell::passes {
namespace {

class Search {
 public:
  Search(CaptureReader& reader, std::span<const std::uint64_t> sizes) : reader_(reader), sizes_(sizes), lost_(UnitIndex::kMaxPass + 1) {}

  // Most captures are answered by this: no file ends before what the records speak of, and no record need be looked at.
  bool nothing_is_short() const {
    const auto& ends = reader_.contents().pass_ends;
    for (std::size_t i = 0; i < ends.size(); ++i)
      if (size(static_cast<std::uint32_t>(i + 1)) < ends[i]) return false;
    return true;
  }

  Result<void> look_at(UnitPlace place, BlockAddress block, std::uint32_t passes) {
    bool first_lost = false;
    for (std::uint32_t pass = 1; pass <= passes; ++pass) {
      const UnitAddress unit{place, block, pass};
      if (!reader_.units().has(unit)) {
        first_lost = first_lost || pass == 1;
        continue;
      }
      const auto facts = reader_.facts(unit);
      if (!facts) return failure(facts.error());
      const bool own = size(pass) < facts->file_offset + facts->stored_bytes, of_first = facts->is_difference() && first_lost;
      if (!own && !of_first) continue;
      ++(own ? lost_[pass].own : lost_[pass].of_first);
      first_lost = first_lost || pass == 1;
    }
    return {};
  }

  std::uint64_t own(std::uint32_t pass) const { return lost_[pass].own; }
  std::uint64_t of_first(std::uint32_t pass) const { return lost_[pass].of_first; }

 private:
  struct Lost {
    std::uint64_t own = 0, of_first = 0;
  };
  std::uint64_t size(std::uint32_t pass) const { return pass <= sizes_.size() ? sizes_[pass - 1] : 0; }

  CaptureReader& reader_;
  std::span<const std::uint64_t> sizes_;
  std::vector<Lost> lost_;  // by pass
};

// Why bytes that the journal names are not in the pass file.
Result<std::string> lack_of(files::FileSystem& system, const std::string& folder, std::uint32_t pass) {
  const auto file = system.open_read(files::join(folder, pass_name(pass)));
  if (file) return pass_name(pass) + " ends in front of their bytes";
  const Error why = without_pass_file(pass, file.error());
  if (why.code() != ErrorCode::not_found) return failure(why);
  return why.what();
}

}  // namespace

Result<std::vector<WithoutBytes>> units_without_bytes(files::FileSystem& system, const std::string& folder, CaptureReader& reader,
                                                      NumberRange blocks, std::uint32_t passes) {
  std::vector<WithoutBytes> found;
  const auto sizes = pass_file_sizes(system, folder);
  if (!sizes) return failure(sizes.error());
  Search search(reader, *sizes);
  if (search.nothing_is_short()) return found;
  const CaptureHead& head = reader.head();
  passes = std::min(passes, reader.units().passes());
  for (const TargetIdentity& target : head.targets)
    for (std::uint8_t lun = 0; lun < head.geometry.luns; ++lun)
      for (std::uint32_t block = blocks.first; block <= std::min(blocks.last, head.geometry.blocks - 1); ++block)
        if (const auto looked = search.look_at({target.target, lun}, {block}, passes); !looked) return failure(looked.error());
  for (std::uint32_t pass = 1; pass <= passes; ++pass) {
    if (search.own(pass) > 0) {
      auto why = lack_of(system, folder, pass);
      if (!why) return failure(why.error());
      found.push_back({pass, search.own(pass), std::move(*why)});
    }
    if (search.of_first(pass) > 0) found.push_back({pass, search.of_first(pass), "what they are differences to is lost with pass 1"});
  }
  return found;
}

std::uint64_t units_of(std::span<const WithoutBytes> found) {
  std::uint64_t units = 0;
  for (const WithoutBytes& one : found) units += one.units;
  return units;
}

std::string note_on(std::span<const WithoutBytes> found, const std::string& folder) {
  const std::uint64_t units = units_of(found);
  std::string where;
  for (const WithoutBytes& one : found)
    where += fmt::format("{}pass {}: {}, since {}", where.empty() ? "" : "; ", one.pass, counted(one.units, "unit"), one.why);
  return fmt::format(
      "{} of those held before {} without {} bytes ({}): they do not vote, and are not read again unasked; steadycell capture verify {} "
      "tells which, and how to have them again",
      counted(units, "unit"), units == 1 ? "is" : "are", units == 1 ? "its" : "their", where, printable(folder));
}

}  // namespace steadycell::passes
