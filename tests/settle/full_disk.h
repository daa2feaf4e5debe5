#pragma once
#include <memory>
#include <utility>

#include "files/file_system.h"

namespace steadycell::settle {

// The real file system, until `room` bytes have been written: then the disk is full.
class FullDisk final : public files::FileSystem {
 public:
  explicit FullDisk(std::uint64_t room) : room_(room) {}

  Result<std::unique_ptr<files::File>> open_read(const std::string& path) override { return real_.open_read(path); }
  Result<std::unique_ptr<files::File>> open_write(const std::string& path) override { return wrap(real_.open_write(path)); }
  Result<std::unique_ptr<files::File>> create(const std::string& path) override { return wrap(real_.create(path)); }
  Result<bool> exists(const std::string& path) override { return real_.exists(path); }
  Result<void> make_directory(const std::string& path) override { return real_.make_directory(path); }
  Result<std::vector<std::string>> list(const std::string& path) override { return real_.list(path); }
  Result<void> remove_file(const std::string& path) override { return real_.remove_file(path); }
  Result<void> remove_directory(const std::string& path) override { return real_.remove_directory(path); }
  Result<void> rename(const std::string& from, const std::string& to) override { return real_.rename(from, to); }
  Result<void> sync_directory(const std::string& path) override { return real_.sync_directory(path); }
  Result<std::uint64_t> free_bytes(const std::string&) override { return room_; }
  Result<std::unique_ptr<files::Lock>> lock(const std::string& path) override { return real_.lock(path); }

 private:
  class Limited final : public files::File {
   public:
    Limited(std::unique_ptr<files::File> real, std::uint64_t& room) : real_(std::move(real)), room_(&room) {}
    Result<std::size_t> read_at(std::uint64_t offset, MutableByteSpan out) override { return real_->read_at(offset, out); }
    Result<void> write_at(std::uint64_t offset, ByteSpan bytes) override {
      if (bytes.size() > *room_) return failure(ErrorCode::storage_full, "writing: no space left");
      *room_ -= bytes.size();
      return real_->write_at(offset, bytes);
    }
    Result<std::uint64_t> size() override { return real_->size(); }
    Result<void> truncate(std::uint64_t size) override { return real_->truncate(size); }
    Result<void> sync() override { return real_->sync(); }

   private:
    std::unique_ptr<files::File> real_;
    std::uint64_t* room_;
  };

  Result<std::unique_ptr<files::File>> wrap(Result<std::unique_ptr<files::File>> file) {
    if (!file) return file;
    return std::make_unique<Limited>(std::move(*file), room_);
  }

  files::FileSystem& real_ = files::posix();
  std::uint64_t room_;
};

}  // namespace steadycell::settle
