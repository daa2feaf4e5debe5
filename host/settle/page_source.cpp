#include "settle/page_source.h"

#include <algorithm>

#include "files/atomic.h"
#include "passes/capture.h"
#include "passes/layout.h"
#include "settle/block_reader.h"
#include "settle/block_voter.h"
#include "settle/coverage.h"

namespace steadycell::settle {
namespace {


image::PlacedPage page_of(image::PlacedPage first, std::uint32_t further) {
  first.page.index += further;
  return first;
}

}  // namespace

struct PageSource::Inside {
  virtual ~Inside() = default;
  virtual const Geometry& geometry() const = 0;
  virtual const image::CoverageMap& covered() const = 0;
  virtual std::uint32_t passes() const { return 0; }
  virtual const json::Value* scheme() const { return nullptr; }
  virtual Result<void> read_block(std::uint64_t index, const std::function<Result<void>(const SourcePage&)>& visit) = 0;

  image::PlacedPage first_page(std::uint64_t index) const { return *covered().page_at(index * geometry().pages_per_block); }

  struct OfCapture;
  struct OfImage;
};

struct PageSource::Inside::OfCapture final : Inside {
  OfCapture(passes::CaptureReader reader_, image::CoverageMap coverage_)
      : reader(std::move(reader_)), coverage(std::move(coverage_)), voter(reader, kVoterBytes) {}

  const Geometry& geometry() const override { return reader.head().geometry; }
  const image::CoverageMap& covered() const override { return coverage; }
  std::uint32_t passes() const override { return reader.units().passes(); }

  Result<void> read_block(std::uint64_t index, const std::function<Result<void>(const SourcePage&)>& visit) override {
    const std::uint64_t first_index = index * geometry().pages_per_block;
    const image::PlacedPage at = first_page(index);
    for (std::uint32_t first = 0; first < geometry().pages_per_block; first += voter.pages_per_slice()) {
      if (auto done = voter.take(at.place, geometry().block_of(at.page), first); !done) return done;
      for (std::uint32_t page = 0; page < voter.pages(); ++page) {
        const auto voted = voter.vote(page);
        if (!voted) return failure(voted.error());
        const SourcePage source{.index = first_index + first + page,
                                .at = page_of(at, first + page),
                                .bytes = voted->voted,
                                .unsure = voted->unsure,
                                .vote = voted->vote,
                                .read = voted->vote.votes > 0};
        if (auto visited = visit(source); !visited) return visited;
      }
    }
    return {};
  }

  passes::CaptureReader reader;
  image::CoverageMap coverage;
  BlockVoter voter;
};

struct PageSource::Inside::OfImage final : Inside {
  explicit OfImage(ImageReader reader_) : reader(std::move(reader_)), no_unsure(geometry().raw_page_bytes()) {}

  const Geometry& geometry() const override { return reader.manifest().geometry; }
  const image::CoverageMap& covered() const override { return reader.coverage(); }
  const json::Value* scheme() const override { return reader.manifest().scheme ? &*reader.manifest().scheme : nullptr; }

  // Which pages are fill stands in the verdicts.
  Result<void> find_unread() {
    std::uint64_t index = 0;
    return reader.for_each_verdict([&](const image::PageVerdict& page) -> Result<void> {
      if (page.verdict == image::Verdict::unread) {
        if (!unread.empty() && unread.back().second == index)
          ++unread.back().second;
        else
          unread.emplace_back(index, index + 1);
      }
      ++index;
      return {};
    });
  }
  bool is_unread(std::uint64_t index) const {
    const auto after =
        std::upper_bound(unread.begin(), unread.end(), index, [](std::uint64_t at, const auto& run) { return at < run.first; });
    return after != unread.begin() && index < std::prev(after)->second;
  }

  Result<void> read_block(std::uint64_t index, const std::function<Result<void>(const SourcePage&)>& visit) override {
    if (!blocks_reader) {
      auto made = BlockReader::make(reader);
      if (!made) return failure(made.error());
      blocks_reader.emplace(std::move(*made));
    }
    const auto block = blocks_reader->read(index);
    if (!block) return failure(block.error());
    const std::uint64_t first = index * geometry().pages_per_block;
    const image::PlacedPage at = first_page(index);
    for (std::uint32_t page = 0; page < geometry().pages_per_block; ++page) {
      SourcePage source{.index = first + page,
                        .at = page_of(at, page),
                        .bytes = block->subspan(std::size_t{page} * geometry().raw_page_bytes(), geometry().raw_page_bytes()),
                        .unsure = no_unsure, .vote = {}, .read = !is_unread(first + page)};
      source.vote.votes = 1;
      if (auto visited = visit(source); !visited) return visited;
    }
    return {};
  }

  ImageReader reader;
  std::optional<BlockReader> blocks_reader;  // points to `reader`
  std::vector<std::pair<std::uint64_t, std::uint64_t>> unread;
  Bytes no_unsure;
};

PageSource::PageSource(std::unique_ptr<Inside> inside) : inside_(std::move(inside)) {}
PageSource::PageSource(PageSource&&) noexcept = default;
PageSource& PageSource::operator=(PageSource&&) noexcept = default;
PageSource::~PageSource() = default;

Result<PageSource> PageSource::open(files::FileSystem& system, const std::string& folder) {
  if (system.open_read(files::join(folder, std::string(image::kManifestName)))) {
    auto reader = ImageReader::open(system, folder);
    if (!reader) return failure(reader.error());
    auto inside = std::make_unique<Inside::OfImage>(std::move(*reader));
    if (const auto found = inside->find_unread(); !found) return failure(found.error());
    return PageSource(std::move(inside));
  }
  auto reader = passes::CaptureReader::open(system, folder);
  if (!reader) return failure(reader.error());
  auto luns = coverage_of(*reader);
  if (luns.empty()) return failure(nothing_covered(*reader, folder));
  auto coverage = image::CoverageMap::make(reader->head().geometry, std::move(luns));
  if (!coverage) return failure(coverage.error());
  return PageSource(std::make_unique<Inside::OfCapture>(std::move(*reader), std::move(*coverage)));
}

const Geometry& PageSource::geometry() const { return inside_->geometry(); }
std::uint64_t PageSource::blocks() const { return inside_->covered().blocks(); }
image::PlacedPage PageSource::first_page(std::uint64_t index) const { return inside_->first_page(index); }
bool PageSource::is_capture() const { return inside_->passes() > 0; }
std::uint32_t PageSource::passes() const { return inside_->passes(); }
const json::Value* PageSource::scheme() const { return inside_->scheme(); }
Result<void> PageSource::read_block(std::uint64_t index, const std::function<Result<void>(const SourcePage&)>& visit) {
  return inside_->read_block(index, visit);
}

}  // namespace steadycell::settle
