#include "link/hid.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <boost/asio/post.hpp>
#include <condition_variable>
#include <mutex>
#include <optional>
#include <random>
#include <thread>
#include <utility>

#include "link/uuid_digits.h"

namespace steadycell::link {
namespace {

using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;
constexpr int kTick = 20;  // ms for one read: so late may a report leave
constexpr auto kEndLimit = 2s;
constexpr const char* kWithout = "reading goes on; heartbeat and switching off go over the bulk pipe alone";

}  // namespace

// Between the caller's thread and the owner's.
struct HidHalf::Shared : std::enable_shared_from_this<Shared> {
  std::mutex mutex;
  std::condition_variable changed;
  bool ending = false, ended = false, present = false;
  bool beat = false, cut = false;  // a report is to be sent
  std::uint32_t beat_token = 0, cut_token = 0;
  asio::any_io_executor executor;  // empty once nothing may be posted any more
  Link::NewsSink told;             // used and changed on the executor's thread only

  void post(LinkNews news) {
    const std::lock_guard lock(mutex);
    if (!executor) return;
    asio::post(executor, [weak = weak_from_this(), news = std::move(news)] {
      if (const auto self = weak.lock(); self && self->told) self->told(news);
    });
  }
};

// Everything of the device. Lives on its own thread; holds what it needs, since it may outlive the half.
class HidHalf::Thread {
 public:
  Thread(HidCalls& calls, std::shared_ptr<Shared> shared, std::string digits, std::string place, HidPatience patience)
      : calls_(calls), shared_(std::move(shared)), digits_(std::move(digits)), place_(std::move(place)), patience_(patience) {}

  void run() {
    while (!ending()) {
      if (device_ == nullptr) {
        look();
        if (device_ == nullptr) pause();
      } else if (const auto lost = exchange(); !lost.empty()) {
        lose(lost);
      }
    }
    if (device_ != nullptr) calls_.close(device_);
    const std::lock_guard lock(shared_->mutex);
    shared_->ended = true;
    shared_->changed.notify_all();
  }

 private:
  bool ending() {
    const std::lock_guard lock(shared_->mutex);
    return shared_->ending;
  }
  void pause() {
    std::unique_lock lock(shared_->mutex);
    shared_->changed.wait_for(lock, patience_.retry, [&] { return shared_->ending; });
  }

  // The node of this board, or why there is none.
  std::optional<HidNode> choose(std::string& why) {
    std::vector<HidNode> fitting;
    for (HidNode& node : calls_.boards())
      if (uuid_digits(node.serial) == digits_) fitting.push_back(std::move(node));
    if (fitting.empty()) {
      why = "the kernel shows none of this UUID";
      return std::nullopt;
    }
    if (fitting.size() == 1) return fitting.front();
    const auto here = std::find_if(fitting.begin(), fitting.end(), [&](const HidNode& node) { return node.place == place_; });
    if (here != fitting.end() && !place_.empty()) return *here;
    why = fmt::format("{} devices give this UUID, none at usb:{}", fitting.size(), place_);
    return std::nullopt;
  }

  void look() {
    std::string why;
    if (const auto node = choose(why)) {
      device_ = calls_.open(node->path, why);
      last_report_ = Clock::now();
      if (device_ != nullptr) return;  // it counts once a report of this board has come
    }
    miss(why);
  }

  // Not there, or not usable. Told once, and only when it has had its time.
  void miss(const std::string& why) {
    if (missing_told_ || Clock::now() - missing_since_ < patience_.appear) return;
    missing_told_ = true;
    shared_->post({LinkNews::Kind::side_lost, fmt::format("the board's HID interface cannot be used ({}): {}", why, kWithout)});
  }

  void lose(const std::string& why) {
    calls_.close(device_);
    device_ = nullptr;
    if (!set_present(false)) return miss(why);
    missing_since_ = Clock::now();
    missing_told_ = true;
    shared_->post({LinkNews::Kind::side_lost, fmt::format("the board's HID interface was lost ({}): {}", why, kWithout)});
  }

  // What was before. Requests from the time without a device are void: an old rails-off must never reach a rail of later.
  bool set_present(bool now) {
    const std::lock_guard lock(shared_->mutex);
    if (!now) shared_->beat = shared_->cut = false;
    return std::exchange(shared_->present, now);
  }

  // Sends what is wanted, takes what comes; why the device is lost, or nothing.
  std::string exchange() {
    std::optional<std::uint32_t> cut, beat;
    {
      const std::lock_guard lock(shared_->mutex);
      if (std::exchange(shared_->cut, false)) cut = shared_->cut_token;
      if (std::exchange(shared_->beat, false)) beat = shared_->beat_token;
    }
    if (cut && !send(SCU_REPORT_RAILS_OFF, *cut)) return "it takes no reports";
    if (beat && !send(SCU_REPORT_HEARTBEAT, *beat)) return "it takes no reports";
    std::array<std::uint8_t, SCU_REPORT_BYTES> report{};
    const int n = calls_.read(device_, report, kTick);
    if (n < 0) return "it went away";
    scu_meter meter{};
    if (n > 0 && scu_get_meter(report.data(), static_cast<std::size_t>(n), &meter)) return take(meter);
    return Clock::now() - last_report_ > patience_.silence ? "it sends no reports" : "";
  }

  bool send(std::uint8_t id, std::uint32_t token) {
    std::array<std::uint8_t, SCU_REPORT_BYTES> report{};
    scu_put_token(report.data(), id, token);
    return calls_.write(device_, report);
  }

  std::string take(const scu_meter& meter) {
    if (hex(meter.uuid) != digits_) return "its reports carry another board's UUID";
    last_report_ = Clock::now();
    if (!set_present(true)) {
      shared_->post({LinkNews::Kind::side_found, missing_told_ ? "the board's HID interface is there again" : ""});
      missing_told_ = false;
    }
    shared_->post({LinkNews::Kind::meter, {}, meter});
    return {};
  }

  HidCalls& calls_;
  const std::shared_ptr<Shared> shared_;
  const std::string digits_, place_;
  const HidPatience patience_;
  hid_device* device_ = nullptr;
  Clock::time_point last_report_{}, missing_since_ = Clock::now();
  bool missing_told_ = false;
};

HidHalf::HidHalf(HidCalls& calls, const asio::any_io_executor& executor, const std::string& uuid, std::string place, Link::NewsSink told,
                 HidPatience patience)
    : shared_(std::make_shared<Shared>()) {
  shared_->executor = executor;
  shared_->told = std::move(told);
  // Tokens of an earlier session may still stand in the board's reports.
  shared_->cut_token = shared_->beat_token = std::random_device()();
  std::thread([owner = std::make_shared<Thread>(calls, shared_, uuid_digits(uuid), std::move(place), patience)] { owner->run(); }).detach();
}

HidHalf::~HidHalf() {
  end();
  std::unique_lock lock(shared_->mutex);
  shared_->changed.wait_for(lock, kEndLimit, [&] { return shared_->ended; });
}

void HidHalf::end() {
  shared_->told = nullptr;
  const std::lock_guard lock(shared_->mutex);
  shared_->ending = true;
  shared_->executor = {};
  shared_->changed.notify_all();
}

void HidHalf::heartbeat() {
  const std::lock_guard lock(shared_->mutex);
  if (!shared_->present) return;
  ++shared_->beat_token;
  shared_->beat = true;
}

std::uint32_t HidHalf::cut_rails() {
  const std::lock_guard lock(shared_->mutex);
  if (!shared_->present) return 0;
  if (++shared_->cut_token == 0) ++shared_->cut_token;  // 0 means none
  shared_->cut = true;
  return shared_->cut_token;
}

}  // namespace steadycell::link
