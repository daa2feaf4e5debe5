#pragma once
#include <array>
#include <span>
#include <vector>

#include "assess/byte_counts.h"

// The whitening sequence of pages that were whitened alike, one byte place after the other: the byte that leaves
// the likeliest contents.
namespace steadycell::assess {

class SequenceEstimator {
 public:
  // Begins with how often byte values usually occur on storage media: 00 most, then FF and text (common practice,
  // no source).
  SequenceEstimator();
  // Goes on with how often they occur here.
  void learn(const ByteCounts& contents);
  // All pages have the size of `sequence`, at least one page.
  void estimate(std::span<const ByteSpan> pages, MutableByteSpan sequence) const;
  // Mends a good estimate: each page is now taken to have the byte values that it shows under `sequence`, so that
  // pages with little to them, such as those full of 00, weigh more than others.
  static void refine(std::span<const ByteSpan> pages, MutableByteSpan sequence);

 private:
  using Spectrum = std::array<float, 256>;
  static void transform(Spectrum& values);  // Walsh-Hadamard
  void use(const std::array<double, 256>& shares);

  Spectrum likelihoods_;  // transformed
};

// What unwhitening did to pages that had no part in finding the sequence.
class Gain {
 public:
  // Data bytes as they stand and without their whitening.
  void add(ByteSpan before, ByteSpan after);

  std::uint64_t pages() const { return pages_; }
  std::uint64_t plainer() const { return plainer_; }  // at least one bit a byte less entropy, and not plain before
  std::uint64_t noisier() const { return noisier_; }  // at least one bit a byte more
  std::uint64_t varied() const {
    return varied_;
  }  // of the plainer ones, those with more to them than one value: see is_varied()
  // Of the plainer pages, all their bytes together.
  double entropy_before() const { return before_.entropy(); }
  double entropy_after() const { return after_.entropy(); }
  void add(const Gain& other);

 private:
  std::uint64_t pages_ = 0, plainer_ = 0, noisier_ = 0, varied_ = 0;
  ByteCounts before_, after_;
};

// Which bytes of page and spare area are whitened: those whose contents on different pages agree more often
// without the whitening. In the spare area a page counter, or another number made from the page's address, does so
// as well where its period has to do with that of the whitening; it shows by its even steps from page to page.
class PlaceCounts {
 public:
  explicit PlaceCounts(std::uint32_t raw_page_bytes, std::uint32_t spare_bytes = 0);
  void add(ByteSpan before, ByteSpan after);
  // Spare areas, as they stand, of two neighbouring pages under different sequences.
  void add_neighbours(ByteSpan spare, ByteSpan next);
  std::uint32_t pages() const { return pages_; }
  // One flag a byte. Code bytes (three and more in a row) and contents that differ everywhere are not covered, nor
  // is a spare area of which too few neighbours are known.
  std::vector<bool> covered() const;

 private:
  bool counts_pages(std::size_t place, double agreement_after) const;

  std::uint32_t spare_bytes_;
  std::vector<std::uint16_t> before_, after_;      // [place][value]
  std::vector<std::uint16_t> differences_, xors_;  // [place in spare area][value]
  std::uint32_t pages_ = 0, neighbours_ = 0;
};

}  // namespace steadycell::assess
