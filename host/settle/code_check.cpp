#include "settle/code_check.h"

#include <algorithm>

#include "settle/judge.h"

namespace steadycell::settle {

Result<CodeCheck> check_code(PageSource& source, const json::Value& scheme, const Hooks& hooks) {
  auto judge = CodeJudge::make(scheme, source.geometry());
  if (!judge) return failure(judge.error());
  const std::uint64_t sampled = std::min(source.blocks(), kMeasuredBlocks);
  const auto sweep = [&](Progress progress, auto&& block_of, auto&& visit) -> Result<void> {
    for (; progress.done < progress.total; ++progress.done) {
      if (auto on = hooks.go_on(progress.stage); !on) return on;
      if (auto read = source.read_block(block_of(progress.done), visit); !read) return read;
      progress.bytes += source.geometry().block_raw_bytes();
      hooks.tell(progress);
    }
    return {};
  };
  const auto measure = [&](const SourcePage& page) -> Result<void> {
    if (page.read) judge->measure(page.bytes);
    return {};
  };
  if (auto done = sweep(
          {.stage = "measuring", .total = sampled}, [&](std::uint64_t i) { return i * source.blocks() / sampled; }, measure);
      !done)
    return failure(done.error());
  image::VerdictCounts verdicts, erased;
  std::uint64_t erased_bits = 0;
  search::Evidence evidence(judge->code());
  Bytes best(source.geometry().raw_page_bytes());
  std::uint64_t pages = 0;
  const auto decide = [&](const SourcePage& page) -> Result<void> {
    image::PageVerdict row;
    row.verdict = image::Verdict::unread;
    if (page.read) {
      const Judgement judgement = judge->judge(page.vote, page.bytes, page.unsure, best);
      row.verdict = judgement.verdict;
      row.by = judgement.by;
      row.corrected_bits = judgement.corrected_bits;
      row.unstable_bits = page.vote.unstable_bits;
      row.false_odds = judgement.false_odds;
      evidence.add(best, judge->outcomes());
      if (judgement.by == image::By::erased) {
        erased.add(row);
        erased_bits += judgement.corrected_bits;
      }
    }
    verdicts.add(row);
    ++pages;
    return {};
  };
  if (auto done = sweep({.stage = "checking", .total = source.blocks()}, [](std::uint64_t i) { return i; }, decide); !done)
    return failure(done.error());
  return CodeCheck{.measured = judge->judged(), .verdicts = verdicts, .erased_verdicts = erased, .erased_bits = erased_bits,
                   .evidence = evidence.all(), .more_than_t = judge->measured().more_than_t(), .pages = pages};
}

}  // namespace steadycell::settle
