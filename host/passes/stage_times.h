#pragma once
#include <chrono>
#include <string_view>
#include <utility>
#include <vector>

namespace steadycell::passes {

// Where the time of a job goes, by stage. Stages follow each other on one thread.
class StageTimes {
 public:
  struct Stage {
    std::string_view name;  // a literal
    std::chrono::steady_clock::duration spent{};
    double seconds() const { return std::chrono::duration<double>(spent).count(); }
  };
  // Does `work`, adds the time it takes to `stage` and hands on its result.
  template <typename Work>
  decltype(auto) time(std::string_view stage, Work&& work) {
    const Watch watch{&of(stage), std::chrono::steady_clock::now()};
    return std::forward<Work>(work)();
  }
  // In the order in which they were first entered.
  const std::vector<Stage>& stages() const { return stages_; }

 private:
  // Adds its lifetime; stages do not nest, so the list does not move meanwhile.
  struct Watch {
    Stage* stage;
    std::chrono::steady_clock::time_point begin;
    ~Watch() { stage->spent += std::chrono::steady_clock::now() - begin; }
  };
  Stage& of(std::string_view name) {
    for (Stage& stage : stages_)
      if (stage.name == name) return stage;
    return stages_.emplace_back(Stage{name});
  }
  std::vector<Stage> stages_;
};

}  // namespace steadycell::passes
