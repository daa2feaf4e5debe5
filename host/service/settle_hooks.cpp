#include "service/settle_hooks.h"

#include "ecc/scheme.h"
#include "files/atomic.h"

namespace steadycell::service {
namespace {

constexpr std::uint64_t kMaxScheme = 4 << 20;

}  // namespace

settle::Hooks settle_hooks(const JobHooks& hooks) {
  settle::Hooks out;
  out.stop = hooks.stop;
  if (hooks.progress)
    out.progress = [&hooks](const settle::Progress& now) {
      hooks.progress({.stage = std::string(now.stage),
                      .unit = now.unit,
                      .done = now.done,
                      .total = now.total,
                      .bytes = now.bytes,
                      .bytes_per_second = 0,
                      .seconds_left = -1});
    };
  return out;
}

passes::Hooks passes_hooks(const JobHooks& hooks, std::string stage, std::string unit) {
  passes::Hooks out;
  out.stop = hooks.stop;
  if (hooks.progress)
    out.progress = [&hooks, stage = std::move(stage), unit = std::move(unit)](std::uint64_t done, std::uint64_t total,
                                                                              std::uint64_t bytes) {
      hooks.progress(
          {.stage = stage, .unit = unit, .done = done, .total = total, .bytes = bytes, .bytes_per_second = 0, .seconds_left = -1});
    };
  return out;
}

Result<json::Value> read_scheme(const std::string& path) {
  const auto text = files::read_text(files::posix(), path, kMaxScheme);
  if (!text) return failure(text.error());
  auto value = json::parse(*text);
  if (!value)
    return failure(Error(value.error())
                       .during("ECC scheme")
                       .at(path)
                       .advising("this is no whole scheme file: copy it again, or have ecc find --to make a new one"));
  if (const auto scheme = ecc::parse_scheme(*value); !scheme) return failure(Error(scheme.error()).at(path));
  return value;
}

Result<assess::WhiteningKey> read_key(const std::string& path) {
  const auto text = files::read_text(files::posix(), path, assess::kMostKeyText);
  if (!text) return failure(text.error());
  if (const auto value = json::parse(*text); !value)
    return failure(Error(value.error())
                       .during("whitening key")
                       .at(path)
                       .advising("this is no whole key file: copy it again, or have image assess --to make a new one"));
  auto key = assess::parse_key(*text);
  if (!key) return failure(Error(key.error()).at(path));
  return key;
}

}  // namespace steadycell::service
