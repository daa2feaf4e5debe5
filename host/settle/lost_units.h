#pragma once
#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "base/address.h"
#include "base/result.h"
#include "passes/capture.h"

namespace steadycell::settle {

// Units that the capture lists but that could not be read back: they do not vote. They are counted, and the first places kept, so a
// capture that lost a whole pass takes no memory and one line.
class LostUnits {
 public:
  // The unit is not as it was written, or its file or pass 1 is not there. Any other failure concerns the medium or us.
  static bool is_loss(const Error& error);

  // Blocks come in rising order in each place; one that comes again before the next is counted once.
  void add(UnitAddress unit, const Error& why);
  void clear();
  // What the reader of an image must know of them, with what tells the way to mend it; at most one note for damage and one for what is
  // missing.
  std::vector<std::string> notes(const passes::CaptureHead& head) const;

 private:
  static constexpr std::size_t kRunsNamed = 6;
  struct Run {
    UnitAddress first;
    std::uint32_t blocks = 1;
  };
  struct Loss {
    std::uint64_t units = 0;
    std::vector<Run> runs;  // neighbouring blocks of one pass; the first kRunsNamed
  };
  // Where a pass stands: its last lost unit, and the run that the next block may lengthen.
  struct Last {
    UnitAddress unit;
    bool missing = false;
    std::optional<std::size_t> run;
  };
  static std::string note(const Loss& loss, std::string_view why, const passes::CaptureHead& head);

  Loss damaged_, missing_;
  std::array<std::optional<Last>, passes::UnitIndex::kMaxPass + 1> last_;  // by pass
};

}  // namespace steadycell::settle
