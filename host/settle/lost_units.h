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

  // A unit that could not be had by such a loss. Blocks come in rising order in each place; one that comes again before the next is
  // counted once.
  void add(const passes::UnitRead& read);
  void clear();
  // What the reader of an image must know of them, and what tells the way to mend it; at most one note a reason.
  std::vector<std::string> notes(const passes::CaptureHead& head) const;

 private:
  // Why a unit does not vote.
  enum class Reason : std::uint8_t {
    damaged,  // its own bytes
    missing,  // its pass file is not there
    pass_1,   // it is the difference to a unit of pass 1 that is damaged, missing or not recorded
  };
  static constexpr std::size_t kReasons = 3;
  static Reason reason_of(const passes::UnitRead& read);

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
    Reason why = Reason::damaged;
    std::optional<std::size_t> run;
  };
  static std::string where(const Loss& loss, const passes::CaptureHead& head);

  std::array<Loss, kReasons> losses_;
  std::array<std::optional<Last>, passes::UnitIndex::kMaxPass + 1> last_;  // by pass
};

}  // namespace steadycell::settle
