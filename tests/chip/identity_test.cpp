#include "chip/identity.h"

#include <gtest/gtest.h>
#include <rapidcheck.h>

#include "pages.h"

namespace steadycell::chip {
namespace {

using namespace testing;

Bytes patched(const std::function<void(MutableByteSpan)>& change) {
  Bytes page = worked_page("H27U2G8F2CTR-BC");
  change(page);
  seal(page);
  return page;
}

struct Hostile {
  const char* what;
  std::function<void(MutableByteSpan)> change;
  const char* message;
};

// Pages with a good checksum and values that no chip has.
TEST(HostilePage, EveryImpossibleValueIsRefusedWithItsReason) {
  const auto u32 = [](std::size_t at, std::uint32_t value) { return [=](MutableByteSpan page) { store_u32(page.subspan(at), value); }; };
  const auto u16 = [](std::size_t at, std::uint16_t value) { return [=](MutableByteSpan page) { store_u16(page.subspan(at), value); }; };
  const auto u8 = [](std::size_t at, std::uint8_t value) { return [=](MutableByteSpan page) { page[at] = value; }; };
  const Hostile cases[] = {
      {"page 0", u32(80, 0), "0 data bytes a page"},
      {"page 1", u32(80, 1), "1 data bytes a page"},
      {"page 511", u32(80, 511), "511 data bytes a page"},
      {"page 65537", u32(80, 65537), "65537 data bytes a page"},
      {"page 2^31", u32(80, 1u << 31), "2147483648 data bytes a page"},
      {"page 2^32-1", u32(80, 0xFFFFFFFF), "4294967295 data bytes a page"},
      {"spare above half", u16(84, 1025), "1025 spare bytes a page"},
      {"spare 65535", u16(84, 65535), "65535 spare bytes a page"},
      {"pages/block 0", u32(92, 0), "0 pages a block"},
      {"pages/block 15", u32(92, 15), "15 pages a block"},
      {"pages/block 8193", u32(92, 8193), "8193 pages a block"},
      {"blocks 0", u32(96, 0), "0 blocks"},
      {"blocks 2^32-1", u32(96, 0xFFFFFFFF), "4294967295 blocks"},
      {"blocks 2^20+1", u32(96, (1u << 20) + 1), "1048577 blocks"},
      {"LUN 0", u8(100, 0), "0 LUNs"},
      {"LUN 17", u8(100, 17), "17 LUNs"},
      {"row cycles 0", u8(101, 0x20), "0 row address cycles"},
      {"row cycles 5", u8(101, 0x25), "5 row address cycles"},
      {"column cycles 1", u8(101, 0x13), "1 column address cycles"},
      {"more rows than cycles", u8(101, 0x21), "more pages than its 1 row address cycles"},
      {"bits per cell 0", u8(102, 0), "0 bits a cell"},
      {"product", [](MutableByteSpan page) {
         store_u32(page.subspan(80), 65536);
         store_u32(page.subspan(92), 4096);
         store_u32(page.subspan(96), 1u << 17);
         page[100] = 8;
         page[101] = 0x24;
       }, "bytes in all"},
  };
  for (const Hostile& hostile : cases) {
    SCOPED_TRACE(hostile.what);
    const Bytes page = patched(hostile.change);
    const auto decoded = decode_parameter_page(page);
    ASSERT_FALSE(decoded);
    EXPECT_EQ(decoded.error().code(), ErrorCode::bad_parameter_page);
    EXPECT_NE(decoded.error().what().find(hostile.message), std::string::npos) << decoded.error().what();
    // With an ID that tells the geometry the work goes on, and the page's refusal is told.
    const auto known = identify(parse_hex("AD DA 10 95 44").value(), page);
    ASSERT_TRUE(known);
    EXPECT_EQ(known->source, "id");
    EXPECT_NE(known->notes.front().find("was not used"), std::string::npos);
  }
}

TEST(HostilePage, EccClaimsThatNobodyBuildsAreDropped) {
  EXPECT_EQ(decode_parameter_page(patched([](MutableByteSpan page) { page[112] = 0; }))->ecc_need, std::nullopt);
  Bytes page = jedec_page();
  for (const std::uint8_t log2 : Bytes{0, 7, 17, 200, 255}) {
    page[212] = log2;
    seal(page);
    EXPECT_EQ(decode_parameter_page(page)->ecc_need, std::nullopt) << int{log2};
  }
}

TEST(HostilePage, ItsTextIsMadePrintable) {
  const auto decoded = decode_parameter_page(patched([](MutableByteSpan page) {
    const std::string_view text = "\x1B[2J\x07<b>\r\n\x9B";
    std::copy(text.begin(), text.end(), page.begin() + 44);
  }));
  ASSERT_TRUE(decoded);
  for (const char c : decoded->model) EXPECT_GE(static_cast<unsigned char>(c), 0x20) << decoded->model;
  EXPECT_NE(decoded->model.find("\\x1b"), std::string::npos) << decoded->model;
}

TEST(HostilePage, AnyBytesGiveEitherAnErrorOrAGeometryWithinTheLimits) {
  const auto within = [](const Result<Identification>& decoded) {
    if (!decoded) return !decoded.error().what().empty();
    return checked(decoded->geometry).has_value() && decoded->geometry.total_bytes() <= Limits::kMaxTotalBytes &&
           (!decoded->ecc_need || (decoded->ecc_need->bits > 0 && decoded->ecc_need->per_bytes >= 256));
  };
  EXPECT_TRUE(
      rc::check("random bytes", [&](const Bytes& id, const Bytes& page, bool jedec) { RC_ASSERT(within(identify(id, page, jedec))); }));
  // Random IDs of known makers, so that the rules behind the first byte are reached.
  EXPECT_TRUE(rc::check("random IDs of known makers", [&] {
    Bytes id = *rc::gen::container<Bytes>(8, rc::gen::arbitrary<std::uint8_t>());
    id[0] = *rc::gen::element<std::uint8_t>(0x98, 0xAD, 0xEC, 0x2C, 0x20);
    id[1] = *rc::gen::element<std::uint8_t>(0xDC, 0xD3, 0xDE, 0xF1, 0x75, 0x3E);
    RC_ASSERT(within(decode_id(id, *rc::gen::arbitrary<bool>())));
  }));
  // Random fields behind a good signature and a good checksum.
  EXPECT_TRUE(rc::check("random fields, good checksum", [&](bool jedec) {
    Bytes page = jedec ? jedec_page() : worked_page("H27U2G8F2CTR-BC");
    const auto changes = *rc::gen::container<std::vector<std::pair<std::uint8_t, std::uint8_t>>>(
        6, rc::gen::pair(rc::gen::inRange<std::uint8_t>(4, 250), rc::gen::arbitrary<std::uint8_t>()));
    for (const auto& [at, value] : changes) page[at] = value;
    seal(page);
    RC_ASSERT(within(decode_parameter_page(repeated(page, 2))));
  }));
}

TEST(Identify, ParameterPageWinsOverTheIdAndSaysSo) {
  const Bytes page = worked_page("MT29F64G08AKABAC5");
  const auto found = identify(parse_hex("2C DC 90 95 56").value(), page);
  ASSERT_TRUE(found);
  EXPECT_EQ(found->source, "onfi");
  EXPECT_EQ(found->geometry.page_bytes, 4096u);
  EXPECT_NE(found->notes.front().find("the parameter page wins"), std::string::npos);
}

TEST(Identify, AgreeingSourcesNeedNoNote) {
  const auto found = identify(parse_hex("2C 48 00 26 89 00 00 00").value(), worked_page("MT29F64G08AKABAC5"));
  ASSERT_TRUE(found);
  EXPECT_EQ(found->source, "onfi");
  EXPECT_TRUE(found->notes.empty()) << found->notes.front();
  EXPECT_EQ(found->geometry.total_bytes(), 4ull << 30);
}

TEST(Identify, PageAloneServesWhenTheDeviceCodeIsUnknown) {
  const auto found = identify(parse_hex("2C 44 44 4B A9 00 00 00").value(), worked_page("MT29F32G08ABCDBJ4"));
  ASSERT_TRUE(found);
  EXPECT_EQ(found->geometry.blocks, 1048u);
  EXPECT_EQ(found->supply, std::nullopt);
}

TEST(Identify, NothingKnownAsksForTheGeometry) {
  const auto by_id = identify(parse_hex("2C 64 44 4B A9 00 00 00").value(), {});
  ASSERT_FALSE(by_id);
  EXPECT_EQ(by_id.error().code(), ErrorCode::unknown_chip);
  EXPECT_EQ(by_id.error().next(), "compare the ID bytes with the marking; an unknown chip is not read, so that nothing is read wrongly");
  const auto with_bad_page = identify(parse_hex("2C 64 44 4B A9 00 00 00").value(), Bytes(768, 0xFF));
  ASSERT_FALSE(with_bad_page);
  EXPECT_EQ(with_bad_page.error().code(), ErrorCode::bad_parameter_page);
}

TEST(Identify, SilentBusIsNoChipWhateverThePageSays) {
  const auto found = identify(Bytes(8, 0xFF), worked_page("H27U2G8F2CTR-BC"));
  ASSERT_FALSE(found);
  EXPECT_EQ(found.error().code(), ErrorCode::no_chip);
}

}  // namespace
}  // namespace steadycell::chip
