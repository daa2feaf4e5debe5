// What a capture lost: it does not vote, and the image's notes tell it.
#include <gmock/gmock.h>

#include "settle/bench.h"

namespace steadycell::settle {
namespace {

using ::testing::Contains;
using ::testing::HasSubstr;

class SettleLosses : public SettleTest {
 protected:
  // Three passes of the small chip that waver, and a bit of block 0 flipped in the file of one.
  void three_passes_with_damage_to(unsigned pass) {
    const Bytes truth = random_bytes(small_chip().block_raw_bytes() * 8, 1);
    capture_of(small_chip(), {truth, with_flips(truth, 1e-3, 1), with_flips(truth, 1e-3, 2)});
    const std::string name = fmt::format("capture/pass-{:04}.dat", pass);
    Bytes stored = file(name);
    flip(stored, 200);
    overwrite(name, stored);
  }
};

TEST_F(SettleLosses, DamagedUnitAbstainsAndIsNoted) {
  three_passes_with_damage_to(2);
  const Summary summary = settled();
  EXPECT_THAT(summary.manifest.notes,
              Contains(HasSubstr("1 unit did not vote, since its stored bytes are damaged: pass 2 block 0; steadycell capture verify "
                                 "CAPTURE tells what is lost, what other passes make up for, and how to have the rest again")));
  EXPECT_EQ(summary.manifest.summary.total(), 32U);
}

TEST_F(SettleLosses, ManyDamagedUnitsAreOneNoteWithTheFirstPlacesTheCountAndTheWayOn) {
  Geometry geometry = small_chip();
  geometry.blocks = 40;
  const std::size_t block = geometry.block_raw_bytes();
  capture_of(geometry, std::vector<Bytes>(2, random_bytes(block * geometry.blocks, 1)));
  Bytes pass = file("capture/pass-0001.dat");
  for (const std::size_t damaged : {3u, 4u, 5u, 9u, 20u, 22u, 24u, 26u, 28u}) flip(pass, (damaged * block + 7) * 8);
  overwrite("capture/pass-0001.dat", pass);
  const Summary summary = settled();
  std::vector<std::string> lost;
  std::ranges::copy_if(summary.manifest.notes, std::back_inserter(lost),
                       [](const std::string& note) { return note.find("did not vote") != note.npos; });
  ASSERT_EQ(lost.size(), 2U) << ::testing::PrintToString(lost);
  EXPECT_THAT(lost[0], HasSubstr("units did not vote, since their stored bytes are damaged: "));
  EXPECT_THAT(lost[0], HasSubstr("pass 1 blocks 3-5, 9, 20, 22, 24, 26 and 1 more; "));
  EXPECT_THAT(lost[1], HasSubstr("9 units did not vote, since they are differences to units of pass 1 that are damaged or not there: "));
  EXPECT_THAT(lost[1], HasSubstr("pass 2 blocks 3-5, 9, 20, 22, 24, 26 and 1 more; steadycell capture verify CAPTURE tells what is lost, "
                                 "what other passes make up for, and how to have the rest again"));
}

// No block has its third vote any more: what is left everywhere makes up for nothing.
TEST_F(SettleLosses, AMissingPassFileIsOneNoteWithTheWayOn) {
  const Bytes truth = random_bytes(small_chip().block_raw_bytes() * 8, 1);
  capture_of(small_chip(), {truth, truth, truth});
  ASSERT_TRUE(files::posix().remove_file(path("capture/pass-0003.dat")));
  const Summary summary = settled();
  EXPECT_THAT(summary.manifest.notes,
              Contains("8 units did not vote, since their pass file is not there: pass 3 blocks 0-7; steadycell capture verify "
                       "CAPTURE tells what is lost, what other passes make up for, and how to have the rest again"));
}

TEST_F(SettleLosses, DifferencesToADamagedPass1NameItAsTheCause) {
  three_passes_with_damage_to(1);
  const Summary summary = settled();
  EXPECT_THAT(summary.manifest.notes, Contains(HasSubstr("1 unit did not vote, since its stored bytes are damaged: pass 1 block 0; ")));
  EXPECT_THAT(summary.manifest.notes,
              Contains(HasSubstr("2 units did not vote, since they are differences to units of pass 1 that are damaged or not there: "
                                 "pass 2 block 0, pass 3 block 0; steadycell capture verify CAPTURE tells")));
}

// What capture verify asked for was read: the note stays as evidence, and what it makes up for is capture verify's to tell.
TEST_F(SettleLosses, DamageThatALaterPassMadeUpForStaysANote) {
  three_passes_with_damage_to(2);
  {
    auto writer = passes::CaptureWriter::open(files::posix(), path("capture"));
    ASSERT_TRUE(writer);
    ASSERT_TRUE(writer->append_unit({{}, {0}, 4}, random_bytes(small_chip().block_raw_bytes(), 1),
                                    std::vector<PageStatus>(small_chip().pages_per_block, PageStatus::read)));
    ASSERT_TRUE(writer->finish());
  }
  EXPECT_THAT(settled().manifest.notes,
              Contains("1 unit did not vote, since its stored bytes are damaged: pass 2 block 0; steadycell capture verify "
                       "CAPTURE tells what is lost, what other passes make up for, and how to have the rest again"));
}

TEST_F(SettleLosses, DamageInTheJournalIsOneNoteWithTheWayOn) {
  const Bytes truth = random_bytes(small_chip().block_raw_bytes() * 8, 1);
  capture_of(small_chip(), {truth, truth, truth});
  ASSERT_TRUE(passes::CaptureWriter::open(files::posix(), path("capture"))
                  ->finish());  // what stands in front of its last word was on the medium
  Bytes journal = file("capture/journal");
  for (std::size_t at : {3u, 5u, 7u}) flip(journal, journal.size() * at);  // bit number: at eighths of the file
  overwrite("capture/journal", journal);
  std::vector<std::string> damaged;
  std::ranges::copy_if(settled().manifest.notes, std::back_inserter(damaged),
                       [](const std::string& note) { return note.find("journal is damaged") != note.npos; });
  ASSERT_EQ(damaged.size(), 1U) << ::testing::PrintToString(damaged);
  EXPECT_THAT(damaged[0], HasSubstr("damaged in 3 places"));
  EXPECT_THAT(damaged[0], HasSubstr("with the same --passes, reads them; steadycell capture verify CAPTURE tells which"));
}

}  // namespace
}  // namespace steadycell::settle
