#include "passes/hasher.h"

#include <algorithm>
#include <cassert>

namespace steadycell::passes {

void Hasher::start(std::span<const ByteSpan> messages) {
  assert(messages.size() <= messages_.size());
  std::copy(messages.begin(), messages.end(), messages_.begin());
  count_ = messages.size();
  thread_.start([this] { Sha256Group::of_each(std::span(messages_).first(count_), std::span(digests_).first(count_)); });
}

Hasher::Digests Hasher::finish_each() {
  thread_.wait();
  return digests_;
}

}  // namespace steadycell::passes
