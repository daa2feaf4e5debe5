// Pages that the Linux kernel wrote with its own ECC, bits flipped at known places, and the kernel's verdicts
// (tests/data/kernel-nand/README.md tells how they were made).
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <map>
#include <set>
#include <sstream>
#include <tuple>

#include "base/sha256.h"
#include "ecc/odds.h"
#include "ecc/page_code.h"
#include "files.h"

namespace steadycell::ecc {
namespace {

struct Flip {
  std::uint32_t page, step;
  std::string where;  // data, ecc, pad, free
  std::uint32_t offset, bit;
};

std::vector<std::vector<std::string>> csv_rows(const std::string& name) {
  std::istringstream text{std::string(as_text(test_file(name)))};
  std::vector<std::vector<std::string>> rows;
  std::string line;
  std::getline(text, line);  // the heading
  while (std::getline(text, line)) {
    std::vector<std::string> row(1);
    bool quoted = false;
    for (const char c : line) {
      if (c == '"')
        quoted = !quoted;
      else if (c == ',' && !quoted)
        row.emplace_back();
      else
        row.back() += c;
    }
    rows.push_back(std::move(row));
  }
  return rows;
}

class KernelVector : public testing::TestWithParam<const char*> {
 protected:
  std::string name = GetParam();
  Scheme scheme = test_scheme(name);
  PageCode code = PageCode::make(scheme).value();
  std::size_t raw_bytes = scheme.raw_page_bytes();
  Bytes written = test_file("kernel-nand/" + name + ".raw.gz"), flipped = test_file("kernel-nand/" + name + ".flips.raw.gz");
  std::vector<Flip> flips;
  std::vector<StepOutcome> outcomes = std::vector<StepOutcome>(code.steps());

  void SetUp() override {
    for (const auto& row : csv_rows("kernel-nand/" + name + ".flips.csv")) {
      const auto number = [](const std::string& text) { return static_cast<std::uint32_t>(std::stol(text)); };  // step -1: free bytes
      flips.push_back({number(row[0]), number(row[1]), row[2], number(row[3]), number(row[4])});
    }
    ASSERT_EQ(written.size(), flipped.size());
    ASSERT_EQ(written.size() % raw_bytes, 0u);
  }
  std::size_t pages() const { return written.size() / raw_bytes; }
  MutableByteSpan page(Bytes& of, std::size_t index) const { return MutableByteSpan(of).subspan(index * raw_bytes, raw_bytes); }
};

TEST_P(KernelVector, UntouchedPagesAreCleanAndTheLastFourErased) {
  for (std::size_t at = 0; at < pages(); ++at) {
    const Bytes before(page(written, at).begin(), page(written, at).end());
    code.decode(page(written, at), outcomes);
    for (std::size_t step = 0; step < code.steps(); ++step) {
      EXPECT_EQ(outcomes[step].bits, 0u);
      const Range data = scheme.steps[step].data[0];
      const bool all_ff =
          std::all_of(before.begin() + data.offset, before.begin() + data.offset + data.length, [](auto b) { return b == 0xFF; });
      EXPECT_EQ(outcomes[step].status, all_ff ? StepStatus::erased : StepStatus::clean) << at;
      if (at + 4 >= pages()) {
        EXPECT_TRUE(all_ff);
      }
    }
    EXPECT_TRUE(std::equal(before.begin(), before.end(), page(written, at).begin()));
  }
}

TEST_P(KernelVector, EncoderWritesTheKernelsBytes) {
  for (std::size_t at = 0; at + 4 < pages(); ++at) {
    Bytes again(page(written, at).begin(), page(written, at).end());
    for (const Step& step : scheme.steps)
      for (const Range& range : step.code) std::fill_n(again.begin() + range.offset, range.length, std::uint8_t{0x5A});
    code.encode(again);
    ASSERT_TRUE(std::equal(again.begin(), again.end(), page(written, at).begin())) << "page " << at;
  }
}

TEST_P(KernelVector, DataHasTheRecordedHash) {
  const auto facts = json::parse(as_text(test_file("kernel-nand/" + name + ".json")));
  ASSERT_TRUE(facts);
  Sha256 hash;
  for (std::size_t at = 0; at < pages(); ++at)
    for (const Step& step : scheme.steps)
      for (const Range& range : step.data) hash.update(page(written, at).subspan(range.offset, range.length));
  EXPECT_EQ(to_text(hash.finish()), std::string(facts->at("sha256").at("clean").as_string()));
}

// Steps with at most t flips come back with exactly the flipped bits; the others fail and keep their bytes, except for those
// that land within t of another codeword, which the kernel miscorrected, too.
TEST_P(KernelVector, FlipsWithinTAreMendedExactlyAndNothingElseIsVouchedFor) {
  using Place = std::tuple<std::uint32_t, unsigned, bool>;  // byte, bit, read as one
  std::map<std::pair<std::uint32_t, std::uint32_t>, std::set<Place>> injected;  // in code bits, by page and step
  std::set<std::pair<std::uint32_t, std::uint32_t>> padded;
  std::set<std::uint32_t> padded_pages;
  for (const Flip& flip : flips) {
    const bool one = (flipped[flip.page * raw_bytes + flip.offset] >> flip.bit & 1) != 0;
    if (flip.where == "data" || flip.where == "ecc") injected[{flip.page, flip.step}].insert({flip.offset, flip.bit, one});
    if (flip.where != "pad") continue;
    padded.insert({flip.page, flip.step});
    padded_pages.insert(flip.page);
  }
  CodeStatistics statistics(code);
  std::vector<WrongBit> wrong;
  std::set<std::uint32_t> miscorrected_pages;
  std::vector<std::uint32_t> bits_of_page(pages());
  std::size_t beyond = 0;
  for (std::uint32_t at = 0; at < pages(); ++at) {
    const MutableByteSpan read = page(flipped, at);
    const Bytes before(read.begin(), read.end());
    code.decode(read, outcomes, &wrong);
    for (std::uint32_t step = 0; step < code.steps(); ++step) {
      const StepOutcome outcome = outcomes[step];
      statistics.add(outcome);
      bits_of_page[at] += outcome.bits;
      const std::set<Place>& expected = injected[{at, step}];
      std::set<std::uint32_t> bytes_of_step;
      for (const auto* ranges : {&scheme.steps[step].data, &scheme.steps[step].code})
        for (const Range& range : *ranges)
          for (std::uint32_t i = 0; i < range.length; ++i) bytes_of_step.insert(range.offset + i);
      std::set<Place> found;
      for (const WrongBit& bit : wrong)
        if (bytes_of_step.contains(bit.offset)) found.insert({bit.offset, bit.bit, bit.read_as_one});

      if (expected.size() <= code.t()) {
        if (outcome.status == StepStatus::erased) {  // pad bits are set as well
          EXPECT_TRUE(std::includes(found.begin(), found.end(), expected.begin(), expected.end()));
          EXPECT_LE(found.size(), expected.size() + (padded.contains({at, step}) ? 4u : 0u));
        } else {
          EXPECT_EQ(found, expected) << "page " << at << " step " << step;
        }
        EXPECT_EQ(outcome.bits, found.size());
        EXPECT_NE(outcome.status, StepStatus::failed);
        if (outcome.status != StepStatus::erased) {
          EXPECT_EQ(outcome.status, expected.empty() ? StepStatus::clean : StepStatus::corrected);
        }
        continue;
      }
      ++beyond;
      if (outcome.status == StepStatus::failed) {
        EXPECT_TRUE(found.empty());
        EXPECT_TRUE(std::all_of(bytes_of_step.begin(), bytes_of_step.end(), [&](std::uint32_t i) { return read[i] == before[i]; }));
      } else {
        miscorrected_pages.insert(at);
      }
    }
  }

  // The kernel's own verdicts: the very same pages were miscorrected, the same count of bits and of failed steps on the rest.
  std::set<std::uint32_t> miscorrected_by_kernel;
  std::size_t rows_with_failures = 0;
  for (const auto& row : csv_rows("kernel-nand/" + name + ".kernel.csv")) {
    if (row[1].find("miscorrected") != std::string::npos) miscorrected_by_kernel.insert(static_cast<std::uint32_t>(std::stoul(row[0])));
    if (row[5] == "1") ++rows_with_failures;
    const auto at = static_cast<std::uint32_t>(std::stoul(row[0]));
    if (!padded_pages.contains(at)) {
      EXPECT_EQ(std::to_string(bits_of_page[at]), row[4]) << "page " << at;
    }
  }
  EXPECT_EQ(miscorrected_pages, miscorrected_by_kernel);
  EXPECT_EQ(statistics.failed(), rows_with_failures);
  EXPECT_EQ(beyond, rows_with_failures + miscorrected_by_kernel.size());
  EXPECT_GT(beyond, 0u);
  if (code.t() != 2) {
    EXPECT_TRUE(miscorrected_pages.empty());
  }
  RecordProperty("beyond_t", static_cast<int>(beyond));
}

// Everything that the rule would call right (1e-6 a page) is right: what the kernel miscorrected is not.
TEST_P(KernelVector, VouchedPagesAreRight) {
  CodeStatistics statistics(code);
  Bytes corrected = flipped;
  std::vector<std::vector<StepOutcome>> all(pages(), outcomes);
  for (std::size_t at = 0; at < pages(); ++at) {
    code.decode(page(corrected, at), all[at]);
    for (const StepOutcome& outcome : all[at]) statistics.add(outcome);
  }
  const FalseOdds odds(code, statistics);
  std::size_t vouched = 0;
  for (std::size_t at = 0; at < pages(); ++at) {
    if (odds.of_page(all[at], 1) > 1e-6) continue;
    ++vouched;
    for (const Step& step : scheme.steps)
      for (const Range& range : step.data)
        ASSERT_TRUE(std::ranges::equal(page(corrected, at).subspan(range.offset, range.length),
                                       page(written, at).subspan(range.offset, range.length)));
  }
  EXPECT_GT(vouched, 0u);
  RecordProperty("vouched", static_cast<int>(vouched));
}

INSTANTIATE_TEST_SUITE_P(All, KernelVector,
                         testing::Values("hamming-512", "hamming-2k", "hamming-4k", "bch2-2k", "bch4-2k", "bch8-2k", "bch8-4k",
                                         "bch16-4k224", "fat16-bch4-2k"),
                         [](const auto& vector) {
                           std::string name = vector.param;
                           std::replace(name.begin(), name.end(), '-', '_');
                           return name;
                         });

}  // namespace
}  // namespace steadycell::ecc
