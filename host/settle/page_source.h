#pragma once
#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "base/address.h"
#include "base/json.h"
#include "base/result.h"
#include "files/file_system.h"
#include "image/coverage.h"
#include "vote/tally.h"

namespace steadycell::settle {

// One page as a capture's passes voted, or as an image holds it.
struct SourcePage {
  std::uint64_t index = 0;  // in image order
  image::PlacedPage at;     // in its LUN
  ByteSpan bytes;           // page and spare area
  ByteSpan unsure;          // ones where passes disagreed; all zero in an image
  vote::PageVote vote;      // of an image: one vote, since what the passes said is settled there
  bool read = true;         // false: fill, not data
};

// The pages of a capture folder or of an image bundle, block by block in image order.
class PageSource {
 public:
  // Errors: not_found, and bad_input_file when the folder is neither; those of captures and images.
  static Result<PageSource> open(files::FileSystem& system, const std::string& folder);
  PageSource(PageSource&&) noexcept;
  PageSource& operator=(PageSource&&) noexcept;
  ~PageSource();

  const Geometry& geometry() const;
  std::uint64_t blocks() const;
  // The first page of block `index`.
  image::PlacedPage first_page(std::uint64_t index) const;
  bool is_capture() const;
  std::uint32_t passes() const;  // of a capture; 0 for an image
  // The ECC scheme in an image's manifest; null without one.
  const json::Value* scheme() const;
  // Calls `visit` for each page of block `index`; the spans live until it returns. A failure of `visit` ends the block.
  Result<void> read_block(std::uint64_t index, const std::function<Result<void>(const SourcePage&)>& visit);

 private:
  struct Inside;
  explicit PageSource(std::unique_ptr<Inside> inside);
  std::unique_ptr<Inside> inside_;
};

}  // namespace steadycell::settle
