#include "passes/mend.h"

#include <cassert>

namespace steadycell::passes {

std::string text_of(NumberRange blocks) {
  return blocks.first == blocks.last ? fmt::format("{}", blocks.first) : fmt::format("{}-{}", blocks.first, blocks.last);
}

std::string reading_again(const CaptureHead& head, std::uint32_t passes, std::string_view folder, std::span<const NumberRange> blocks) {
  assert(!blocks.empty());
  if (head.origin != "board") return "import the same files, in the same order, into a new capture";
  if (passes >= UnitIndex::kMaxPass) return "the capture takes no further pass: read the chip into a new one";
  std::string then;
  for (const NumberRange& range : blocks.subspan(1)) then += fmt::format("{}{}", then.empty() ? ", then --blocks " : ", ", text_of(range));
  const bool one = blocks.size() == 1 && blocks[0].first == blocks[0].last;
  return fmt::format(
      "read the block{} once more: steadycell chip read --into {} --passes {} --blocks {}{}, with --board as "
      "before",
      one ? "" : "s", printable(folder), passes + 1, text_of(blocks[0]), then);
}

}  // namespace steadycell::passes
