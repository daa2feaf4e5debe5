#include "settle/code_search.h"

#include <algorithm>
#include <condition_variable>
#include <mutex>
#include <thread>

namespace steadycell::settle {
namespace {

constexpr std::uint64_t kSamplePages = 256, kSampleBlocks = 64;
constexpr std::size_t kLeastDifferent = 2;
constexpr const char* kNothingKept = "nothing of a search is kept";
constexpr const char* kStartsAnew = "run the command again when there is time: the search starts anew";

Result<search::Sample> take_sample(PageSource& source, const Hooks& hooks) {
  const Geometry& geometry = source.geometry();
  search::Sample sample(geometry.page_bytes, geometry.spare_bytes);
  const std::uint64_t blocks = std::min(source.blocks(), kSampleBlocks);
  Progress progress{.stage = "sampling", .total = blocks};
  for (; progress.done < blocks; ++progress.done) {
    if (const auto on = hooks.go_on(progress.stage); !on)
      return failure(Error(on.error()).keeping(kNothingKept).advising(kStartsAnew));
    // What earlier blocks did not give, later ones may.
    const std::uint64_t quota = (kSamplePages - sample.pages()) / (blocks - progress.done);
    const std::uint64_t stride = std::max<std::uint64_t>(1, geometry.pages_per_block / std::max<std::uint64_t>(quota * 2, 1));
    const std::uint64_t before = sample.pages();
    const auto read = source.read_block(progress.done * source.blocks() / blocks, [&](const SourcePage& page) -> Result<void> {
      if (page.read && page.index % stride == 0 && sample.pages() - before < quota) sample.add(page.bytes);
      return {};
    });
    if (!read) return failure(read.error());
    progress.bytes += geometry.block_raw_bytes();
    hooks.tell(progress);
  }
  return sample;
}

// The tasks of one search, taken one by one by any thread.
class Pool {
 public:
  Pool(const search::Sample& sample, std::vector<search::Task> tasks) : sample_(sample), tasks_(std::move(tasks)) {}

  Result<CodeSearch> run(unsigned threads, const Hooks& hooks) {
    std::vector<std::jthread> workers;
    for (unsigned i = 0; i < std::max(1u, threads); ++i) workers.emplace_back([this] { work(); });
    std::unique_lock lock(mutex_);
    while (running_ > 0 || started_ < workers.size()) {
      changed_.wait_for(lock, std::chrono::milliseconds(100));
      if (!hooks.go_on("searching")) stop_ = true;
      Progress progress{.stage = "searching", .done = done_, .total = tasks_.size(), .unit = "parts"};
      lock.unlock();
      hooks.tell(progress);
      lock.lock();
    }
    lock.unlock();
    workers.clear();
    if (const auto on = hooks.go_on("searching"); !on && !search_.found)
      return failure(Error(on.error()).keeping(kNothingKept).advising(kStartsAnew));
    return search_;
  }

 private:
  void work() {
    std::unique_lock lock(mutex_);
    ++started_;
    ++running_;
    while (next_ < tasks_.size() && !stop_) {
      const search::Task& task = tasks_[next_++];
      lock.unlock();
      search::TaskResult result = search::run(sample_, task, &stop_);
      lock.lock();
      ++done_;
      search_.hypotheses += result.hypotheses;
      if (result.hypotheses > 0) search_.tried.push_back(task);
      if (!result.found) continue;
      stop_ = true;
      if (!search_.found || result.found->log10_odds < search_.found->log10_odds) search_.found = std::move(result.found);
    }
    --running_;
    changed_.notify_all();
  }

  const search::Sample& sample_;
  std::vector<search::Task> tasks_;
  std::mutex mutex_;  // guards all below
  std::condition_variable changed_;
  std::size_t next_ = 0, done_ = 0, running_ = 0, started_ = 0;
  std::atomic<bool> stop_ = false;  // read by the tasks, too
  CodeSearch search_;
};

}  // namespace

Result<CodeSearch> find_code(PageSource& source, unsigned threads, const Hooks& hooks) {
  const auto sample = take_sample(source, hooks);
  if (!sample) return failure(sample.error());
  const bool any_hope = sample->different().size() >= kLeastDifferent;
  auto search = Pool(*sample, any_hope ? search::tasks_for(*sample) : std::vector<search::Task>()).run(threads, hooks);
  if (!search) return search;
  search->different_pages = sample->different().size();
  search->pages_tried = sample->pages();
  search->erased_pages = sample->erased();
  return search;
}

}  // namespace steadycell::settle
