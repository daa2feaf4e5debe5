#pragma once
#include <algorithm>
#include <array>
#include <map>
#include <memory>
#include <optional>
#include <random>
#include <set>
#include <string>
#include <utility>

#include "files/atomic.h"
#include "files/file_system.h"

namespace steadycell::files {

// A disk in memory that fails on demand, fills up, and forgets at a power cut what was not synced. Strict where real file
// systems differ: a name survives only once its folder was synced, content only once its file was; and after a failed sync
// the cache shows bytes that a later sync no longer writes, as Linux does (the kernel's errseq_t documentation; "Can
// applications recover from fsync failures?", Rebello et al., USENIX ATC 2020).
class MemoryDisk final : public FileSystem {
 public:
  static constexpr std::size_t kBlock = 4096;  // what the medium writes whole or not at all

  // The n-th call from now on (counted from 1) fails with `code`: once, or it and all that follow.
  void fail_call(std::uint64_t n, ErrorCode code, bool for_ever) {
    failing_ = {.at = calls_ + n, .code = code, .for_ever = for_ever};
  }
  void work_again() { failing_.reset(); }
  std::uint64_t calls() const { return calls_; }
  std::uint64_t failures() const { return failures_; }
  // Bytes that files may still grow by; storage_full beyond.
  void set_room(std::uint64_t bytes) { room_ = bytes; }
  std::uint64_t syncs() const { return syncs_; }

  // What the medium holds after a power cut now. Of what was not synced, each block and each name survives or not by chance
  // when `torn`, and is lost otherwise. Everything open goes on with the old disk, which the caller drops.
  MemoryDisk after_power_cut(std::optional<std::uint64_t> torn = std::nullopt) const {
    MemoryDisk disk;
    std::mt19937_64 random(torn.value_or(0));
    const auto survives = [&] { return torn && (random() & 1) != 0; };
    std::map<const Node*, std::shared_ptr<Node>> copies;
    disk.root_ = copy_after_cut(*root_, survives, copies);
    return disk;
  }

  // Test access past the counters.
  Bytes content(const std::string& path) const {
    const auto node = walk(path);
    return node ? node->now : Bytes{};
  }
  void put(const std::string& path, ByteSpan bytes) {
    const auto folder = walk(parent_of(path));
    auto& node = folder->names[name_of(path)];
    if (!node) node = std::make_shared<Node>();
    node->now.assign(bytes.begin(), bytes.end());
    node->medium = node->now;
    node->dirty.clear();
    folder->durable_names = folder->names;
  }
  std::vector<std::string> names(const std::string& directory) const {
    std::vector<std::string> found;
    if (const auto node = walk(directory))
      for (const auto& [name, child] : node->names) found.push_back(name);
    return found;
  }

  Result<std::unique_ptr<File>> open_read(const std::string& path) override { return open(path); }
  Result<std::unique_ptr<File>> open_write(const std::string& path) override { return open(path); }
  Result<std::unique_ptr<File>> create(const std::string& path) override {
    if (const auto called = call("creating", path); !called) return failure(called.error());
    const auto folder = walk(parent_of(path));
    if (!folder) return failure(ErrorCode::not_found, "creating {}: no such folder", path);
    if (folder->names.contains(name_of(path))) return failure(ErrorCode::already_exists, "creating {}: it exists", path);
    const auto node = folder->names[name_of(path)] = std::make_shared<Node>();
    return std::make_unique<OpenFile>(*this, node, path);
  }
  Result<bool> exists(const std::string& path) override {
    if (const auto called = call("looking for", path); !called) return failure(called.error());
    return walk(path) != nullptr;
  }
  Result<void> make_directory(const std::string& path) override {
    if (const auto called = call("making folder", path); !called) return called;
    const auto folder = walk(parent_of(path));
    if (!folder) return failure(ErrorCode::not_found, "making folder {}: no such folder", path);
    if (folder->names.contains(name_of(path))) return failure(ErrorCode::already_exists, "making folder {}: it exists", path);
    folder->names[name_of(path)] = std::make_shared<Node>(true);
    return {};
  }
  Result<std::vector<std::string>> list(const std::string& directory) override {
    if (const auto called = call("listing", directory); !called) return failure(called.error());
    if (const auto node = walk(directory); !node || !node->folder)
      return failure(ErrorCode::not_found, "listing {}: no such folder", directory);
    return names(directory);
  }
  Result<void> remove_file(const std::string& path) override {
    if (const auto called = call("removing", path); !called) return called;
    const auto folder = walk(parent_of(path));
    if (!folder || folder->names.erase(name_of(path)) == 0) return failure(ErrorCode::not_found, "removing {}: no such file", path);
    return {};
  }
  Result<void> remove_directory(const std::string& path) override {
    if (const auto called = call("removing folder", path); !called) return called;
    const auto node = walk(path);
    if (!node) return failure(ErrorCode::not_found, "removing folder {}: no such folder", path);
    if (!node->names.empty()) return failure(ErrorCode::already_exists, "removing folder {}: not empty", path);
    walk(parent_of(path))->names.erase(name_of(path));
    return {};
  }
  Result<void> rename(const std::string& from, const std::string& to) override {
    if (const auto called = call("renaming to", to); !called) return called;
    const auto node = walk(from);
    const auto target = walk(parent_of(to));
    if (!node || !target) return failure(ErrorCode::not_found, "renaming to {}: no such file", to);
    if (target->names.contains(name_of(to))) return failure(ErrorCode::already_exists, "renaming to {}: it exists", to);
    target->names[name_of(to)] = node;
    walk(parent_of(from))->names.erase(name_of(from));
    return {};
  }
  Result<void> sync_directory(const std::string& path) override {
    if (const auto called = call("syncing folder", path); !called) return called;
    const auto node = walk(path);
    if (!node) return failure(ErrorCode::not_found, "syncing folder {}: no such folder", path);
    node->durable_names = node->names;
    return {};
  }
  Result<std::uint64_t> free_bytes(const std::string& directory) override {
    if (const auto called = call("measuring", directory); !called) return failure(called.error());
    return room_;
  }
  Result<std::unique_ptr<Lock>> lock(const std::string& path) override {
    if (const auto called = call("locking", path); !called) return failure(called.error());
    const auto folder = walk(parent_of(path));
    if (!folder) return failure(ErrorCode::not_found, "locking {}: no such folder", path);
    auto& node = folder->names[name_of(path)];
    if (!node) node = std::make_shared<Node>();
    if (node->locked) return failure(ErrorCode::in_use, "{} is in use", path);
    node->locked = true;
    return std::make_unique<HeldLock>(node);
  }

 private:
  struct Node {
    explicit Node(bool is_folder = false) : folder(is_folder) {}
    bool folder, locked = false;
    std::map<std::string, std::shared_ptr<Node>> names, durable_names;
    Bytes now, medium;           // what programs see; what the medium has
    std::set<std::size_t> dirty;  // blocks the next sync writes
    void touch(std::uint64_t from, std::uint64_t to) {
      for (std::size_t block = from / kBlock; block * kBlock < to; ++block) dirty.insert(block);
    }
  };

  class OpenFile final : public File {
   public:
    OpenFile(MemoryDisk& disk, std::shared_ptr<Node> node, std::string path)
        : disk_(&disk), node_(std::move(node)), path_(std::move(path)) {}
    Result<std::size_t> read_at(std::uint64_t offset, MutableByteSpan out) override {
      if (const auto called = disk_->call("reading", path_); !called) return failure(called.error());
      if (offset >= node_->now.size()) return std::size_t{0};
      const std::size_t count = std::min<std::size_t>(out.size(), node_->now.size() - offset);
      std::copy_n(node_->now.begin() + static_cast<std::ptrdiff_t>(offset), count, out.begin());
      return count;
    }
    Result<void> write_at(std::uint64_t offset, ByteSpan bytes) override {
      const auto called = disk_->call("writing", path_);
      if (!called) bytes = bytes.first(bytes.size() / 2);  // a failed write has written something
      const std::uint64_t end = offset + bytes.size(), growth = end > node_->now.size() ? end - node_->now.size() : 0;
      if (growth > disk_->room_) {
        const std::uint64_t fits = bytes.size() - std::min<std::uint64_t>(bytes.size(), growth - disk_->room_);
        if (fits > 0) (void)put(offset, bytes.first(fits));
        return failure(ErrorCode::storage_full, "writing {}: no space left", path_);
      }
      put(offset, bytes);
      return called;
    }
    Result<std::uint64_t> size() override {
      if (const auto called = disk_->call("measuring", path_); !called) return failure(called.error());
      return std::uint64_t{node_->now.size()};
    }
    Result<void> truncate(std::uint64_t size) override {
      if (const auto called = disk_->call("cutting", path_); !called) return called;
      if (size < node_->now.size()) disk_->room_ += node_->now.size() - size;
      node_->now.resize(size);
      node_->touch(size, std::max<std::uint64_t>(size + 1, node_->medium.size()));
      return {};
    }
    Result<void> sync() override {
      if (const auto called = disk_->call("syncing", path_); !called) {
        node_->dirty.clear();
        return called;
      }
      ++disk_->syncs_;
      write_blocks(*node_, node_->dirty);
      node_->dirty.clear();
      return {};
    }

   private:
    void put(std::uint64_t offset, ByteSpan bytes) {
      const std::uint64_t end = offset + bytes.size();
      if (end > node_->now.size()) {
        disk_->room_ -= end - node_->now.size();
        node_->now.resize(end);
      }
      std::copy(bytes.begin(), bytes.end(), node_->now.begin() + static_cast<std::ptrdiff_t>(offset));
      node_->touch(offset, end);
    }
    MemoryDisk* disk_;
    std::shared_ptr<Node> node_;
    std::string path_;
  };

  class HeldLock final : public Lock {
   public:
    explicit HeldLock(std::shared_ptr<Node> node) : node_(std::move(node)) {}
    ~HeldLock() override { node_->locked = false; }

   private:
    std::shared_ptr<Node> node_;
  };

  static std::string name_of(const std::string& path) { return path.substr(path.find_last_of('/') + 1); }

  static void write_blocks(Node& node, const std::set<std::size_t>& blocks) {
    node.medium.resize(node.now.size());
    for (const std::size_t block : blocks) {
      const std::size_t from = block * kBlock, to = std::min(node.now.size(), from + kBlock);
      if (from < to) std::copy(node.now.begin() + static_cast<std::ptrdiff_t>(from), node.now.begin() + static_cast<std::ptrdiff_t>(to),
                               node.medium.begin() + static_cast<std::ptrdiff_t>(from));
    }
  }

  template <typename Survives>
  static std::shared_ptr<Node> copy_after_cut(const Node& node, const Survives& survives,
                                              std::map<const Node*, std::shared_ptr<Node>>& copies) {
    auto& known = copies[&node];
    if (known) return known;
    const auto copy = known = std::make_shared<Node>(node.folder);
    copy->now = node.now;
    copy->medium = node.medium;
    std::set<std::size_t> kept;
    for (const std::size_t block : node.dirty)
      if (survives()) kept.insert(block);
    if (!kept.empty()) write_blocks(*copy, kept);
    copy->now = copy->medium;
    auto names = node.durable_names;
    for (const auto& [name, child] : node.names)
      if (!names.contains(name) && survives()) names[name] = child;
    for (auto at = names.begin(); at != names.end();)
      at = !node.names.contains(at->first) && survives() ? names.erase(at) : std::next(at);
    for (const auto& [name, child] : names) copy->names[name] = copy_after_cut(*child, survives, copies);
    copy->durable_names = copy->names;
    return copy;
  }

  std::shared_ptr<Node> walk(const std::string& path) const {
    std::shared_ptr<Node> node = root_;
    for (std::size_t from = 0; node && from < path.size();) {
      const std::size_t slash = std::min(path.find('/', from), path.size());
      const std::string part = path.substr(from, slash - from);
      from = slash + 1;
      if (part.empty() || part == ".") continue;
      const auto child = node->names.find(part);
      node = child == node->names.end() ? nullptr : child->second;
    }
    return node;
  }

  Result<std::unique_ptr<File>> open(const std::string& path) {
    if (const auto called = call("opening", path); !called) return failure(called.error());
    const auto node = walk(path);
    if (!node || node->folder) return failure(ErrorCode::not_found, "opening {}: no such file", path);
    return std::make_unique<OpenFile>(*this, node, path);
  }

  Result<void> call(const char* operation, const std::string& path) {
    ++calls_;
    if (!failing_ || calls_ < failing_->at || (calls_ > failing_->at && !failing_->for_ever)) return {};
    ++failures_;
    return failure(failing_->code, "{} {}: made to fail", operation, path);
  }

  struct Failing {
    std::uint64_t at = 0;
    ErrorCode code = ErrorCode::storage_failed;
    bool for_ever = false;
  };
  std::shared_ptr<Node> root_ = std::make_shared<Node>(true);
  std::optional<Failing> failing_;
  std::uint64_t calls_ = 0, failures_ = 0, syncs_ = 0, room_ = std::uint64_t{1} << 40;
};

}  // namespace steadycell::files
