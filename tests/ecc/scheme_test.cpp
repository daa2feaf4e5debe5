#include "ecc/scheme.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include <functional>

#include "files.h"

namespace steadycell::ecc {
namespace {

using testing::HasSubstr;

constexpr std::string_view kBch8 = R"({ "schema": "steadycell-ecc/1", "code": "bch", "m": 13, "t": 8, "polynomial": "0x201b",
  "bit_order": "msb_first", "page_bytes": 1024, "spare_bytes": 64,
  "steps": [ { "data": [[0,512]], "code": [[1036,13]] }, { "data": [[512,512]], "code": [[1049,13]] } ],
  "mask": "00112233445566778899aabbcc", "erased": "codeword" })";

TEST(Scheme, FileOfTheDesignIsReadAsWritten) {
  const auto scheme = parse_scheme(kBch8);
  ASSERT_TRUE(scheme) << scheme.error().text();
  EXPECT_EQ(scheme->code, CodeKind::bch);
  EXPECT_EQ(scheme->m, 13u);
  EXPECT_EQ(scheme->t, 8u);
  EXPECT_EQ(scheme->polynomial, 0x201Bu);
  EXPECT_EQ(scheme->bit_order, BitOrder::msb_first);
  EXPECT_EQ(scheme->raw_page_bytes(), 1088u);
  ASSERT_EQ(scheme->steps.size(), 2u);
  EXPECT_EQ(scheme->steps[1].data, (std::vector<Range>{{512, 512}}));
  EXPECT_EQ(scheme->steps[1].code, (std::vector<Range>{{1049, 13}}));
  EXPECT_EQ(hex(scheme->mask), "00112233445566778899aabbcc");
  EXPECT_EQ(scheme->erased, ErasedAs::codeword);
}

TEST(Scheme, HammingMetadataAndNullMaskAreRead) {
  const auto scheme = parse_scheme(std::string_view(R"({ "schema": "steadycell-ecc/1", "code": "hamming", "order": "low_line_first",
    "bit_order": "lsb_first", "page_bytes": 512, "spare_bytes": 16,
    "steps": [ { "data": [[0,250]], "metadata": [[512,6]], "code": [[520,1],[524,2]] } ], "mask": null, "erased": "all_ff" })"));
  ASSERT_TRUE(scheme) << scheme.error().text();
  EXPECT_EQ(scheme->hamming_order, HammingOrder::low_line_first);
  EXPECT_EQ(scheme->bit_order, BitOrder::lsb_first);
  EXPECT_EQ(scheme->steps[0].data_bytes(), 250u);
  EXPECT_EQ(scheme->steps[0].covered_bytes(), 256u);
  EXPECT_TRUE(scheme->mask.empty());
  EXPECT_EQ(scheme->erased, ErasedAs::all_ff);
}

TEST(Scheme, KernelSchemesComeBackFromTheirPrettyTextAndFromJson) {
  for (const char* name :
       {"hamming-512", "hamming-2k", "hamming-4k", "bch2-2k", "bch4-2k", "bch8-2k", "bch8-4k", "bch16-4k224", "fat16-bch4-2k"}) {
    const std::string text(as_text(test_file(std::string("schemes/") + name + ".json")));
    const auto scheme = parse_scheme(text);
    ASSERT_TRUE(scheme) << scheme.error().text();
    EXPECT_EQ(pretty(*scheme), text);
    EXPECT_EQ(to_json(parse_scheme(to_json(*scheme)).value()), to_json(*scheme));
  }
}

TEST(Scheme, MetadataMayStandInFrontOfTheDataAndBelongToSomeStepsOnly) {
  const std::string text =
      R"({ "schema": "steadycell-ecc/1", "code": "bch", "m": 13, "t": 8, "polynomial": "0x201b", "metadata_place": "before_data",
    "page_bytes": 1024, "spare_bytes": 64, "steps": [ { "data": [[0,512]], "metadata": [[1024,6]], "code": [[1036,13]] },
    { "data": [[512,512]], "code": [[1049,13]] } ], "mask": null, "erased": "all_ff" })";
  const auto scheme = parse_scheme(text);
  ASSERT_TRUE(scheme) << scheme.error().text();
  EXPECT_EQ(scheme->metadata_place, MetadataPlace::before_data);
  EXPECT_EQ(scheme->bch_shape(scheme->steps[0]).data_bits, 518u * 8);
  EXPECT_EQ(scheme->bch_shape(scheme->steps[1]).data_bits, 512u * 8);
  EXPECT_EQ(pretty(*parse_scheme(pretty(*scheme))), pretty(*scheme));
  EXPECT_NE(pretty(*scheme).find("\"metadata_place\": \"before_data\""), std::string::npos);
  std::string other = text;
  other.replace(other.find("before_data"), 11, "behind_data");
  EXPECT_NE(parse_scheme(other).error().what().find("after_data or before_data"), std::string::npos);
}

// Steps laid out at random through data and spare, metadata included.
RC_GTEST_PROP(Scheme, AnyValidSchemeRoundTrips, ()) {
  Scheme scheme;
  scheme.code = *rc::gen::element(CodeKind::bch, CodeKind::hamming);
  const bool bch = scheme.code == CodeKind::bch;
  scheme.bit_order = *rc::gen::element(BitOrder::msb_first, BitOrder::lsb_first);
  scheme.erased = *rc::gen::element(ErasedAs::codeword, ErasedAs::all_ff);
  scheme.hamming_order = *rc::gen::element(HammingOrder::high_line_first, HammingOrder::low_line_first);
  if (bch) {
    scheme.m = 14;
    scheme.polynomial = *rc::gen::element(0x402Bu, 0x4443u);
    scheme.t = *rc::gen::inRange(1u, 65u);  // from 65 on a minimal polynomial has degree 7: fewer than 14 t parity bits
  }
  const std::uint32_t steps = *rc::gen::inRange(1u, 5u), metadata = *rc::gen::inRange(0u, 9u);
  const std::uint32_t code_bytes = bch ? (14 * scheme.t + 7) / 8 : 3, data = 512 - (bch ? 0 : metadata);
  std::uint32_t at = 0;
  for (std::uint32_t i = 0; i < steps; ++i) {
    Step step;
    step.data = {{at, 100}, {at + 100, data - 100}};
    at += data;
    if (metadata > 0) step.metadata = {{at, metadata}};
    at += metadata + 1;
    step.code = {{at, code_bytes}};
    at += code_bytes;
    scheme.steps.push_back(step);
  }
  scheme.page_bytes = std::max(256u, at - 3);
  scheme.spare_bytes = 3;
  if (*rc::gen::arbitrary<bool>()) scheme.mask = *rc::gen::container<Bytes>(code_bytes, rc::gen::arbitrary<std::uint8_t>());
  const auto back = parse_scheme(pretty(scheme));
  RC_ASSERT(back.has_value());
  RC_ASSERT(to_json(*back) == to_json(scheme));
}

// --- what a stranger may write

json::Object changed(const std::function<void(json::Object&)>& change) {
  json::Object object = json::parse(kBch8)->as_object();
  change(object);
  return object;
}

TEST(Scheme, EveryKeyButMaskAndBitOrderIsRequired) {
  for (const char* key : {"schema", "code", "m", "t", "polynomial", "page_bytes", "spare_bytes", "steps", "erased"}) {
    const auto scheme = parse_scheme(json::Value(changed([&](json::Object& object) { object.erase(key); })));
    ASSERT_FALSE(scheme) << key;
    EXPECT_THAT(scheme.error().what(), HasSubstr(key));
  }
  for (const char* key : {"mask", "bit_order"})
    EXPECT_TRUE(parse_scheme(json::Value(changed([&](json::Object& object) { object.erase(key); })))) << key;
}

TEST(Scheme, HostileFilesAreRefusedWithThePlaceAndTheReason) {
  const auto set = [](const char* key, json::Value value) {
    return [key, value](json::Object& object) { object[key] = value; };
  };
  const auto steps = [](std::string_view text) {
    return [value = json::parse(text).value()](json::Object& object) { object["steps"] = value; };
  };
  const struct { std::function<void(json::Object&)> change; const char *place, *reason;
  } kBad[] = {
      {set("unknown", 1), "unknown", ""},
      {set("order", "high_line_first"), "order", ""},  // Hamming's, not BCH's
      {set("code", "ldpc"), "code", "should be bch, hamming or reed_solomon"},
      {set("code", "reed_solomon"), "m", "12"},  // 13 bits are no symbol
      {set("code", 13), "code", ""},
      {set("m", 4), "m", ""},
      {set("m", 16), "m", ""},
      {set("m", 14), "polynomial 0x201b", "degree 14"},
      {set("t", 0), "t", ""},
      {set("t", 73), "t", ""},
      {set("t", 9), "steps", "117 parity bits in 15 bytes"},
      {set("t", 1.5), "t", ""},
      {set("t", "8"), "t", ""},
      {set("t", -8), "t", ""},
      {set("polynomial", "201b"), "polynomial", "hex such as"},
      {set("polynomial", "0x"), "polynomial", "hex such as"},
      {set("polynomial", "0x201g"), "polynomial", "hex such as"},
      {set("polynomial", "0x1201b201b201b"), "polynomial", "hex such as"},
      {set("polynomial", 8219), "polynomial", ""},
      {set("polynomial", "0x2001"), "0x2001", "not primitive"},
      {set("bit_order", "middle_first"), "bit_order", "msb_first or lsb_first"},
      {set("erased", "maybe"), "erased", "codeword or all_ff"},
      {set("page_bytes", 0), "page_bytes", ""},
      {set("page_bytes", 1e9), "page_bytes", ""},
      {set("spare_bytes", 100'000), "spare_bytes", ""},
      {set("mask", "00"), "mask", "1 bytes, a step's code 13"},
      {set("mask", "zz"), "mask", "hex digits or null"},
      {set("mask", 0), "mask", ""},
      {set("steps", json::Array{}), "steps", "1 to 256"},
      {set("steps", json::Array(257, json::Value(1))), "steps", "1 to 256"},
      {set("steps", "all"), "steps", ""},
      {steps(R"([1])"), "steps[0]", ""},
      {steps(R"([{"data":[[0,512]]}])"), "steps[0].code", ""},
      {steps(R"([{"code":[[1036,13]]}])"), "steps[0].data", ""},
      {steps(R"([{"data":[[0,512]],"code":[[1036,13]],"extra":[]}])"), "extra", ""},
      {steps(R"([{"data":[[0,512,1]],"code":[[1036,13]]}])"), "steps[0].data", "pairs"},
      {steps(R"([{"data":[[0]],"code":[[1036,13]]}])"), "steps[0].data", "pairs"},
      {steps(R"([{"data":[0,512],"code":[[1036,13]]}])"), "steps[0].data", "pairs"},
      {steps(R"([{"data":[[-1,512]],"code":[[1036,13]]}])"), "steps[0].data", "pairs"},
      {steps(R"([{"data":[[0.5,512]],"code":[[1036,13]]}])"), "steps[0].data", "pairs"},
      {steps(R"([{"data":[[0,0]],"code":[[1036,13]]}])"), "steps[0].data", "outside"},
      {steps(R"([{"data":[[0,512]],"code":[[1076,13]]}])"), "steps[0].code", "outside the 1088 bytes"},
      {steps(R"([{"data":[[4294967295,512]],"code":[[1036,13]]}])"), "steps[0].data", "outside"},
      {steps(R"([{"data":[[0,4294967295]],"code":[[1036,13]]}])"), "steps[0].data", "outside"},
      {steps(R"([{"data":[[0,512],[511,1]],"code":[[1036,13]]}])"), "steps[0].data", "byte 511 a second time"},
      {steps(R"([{"data":[[0,512]],"code":[[500,13]]}])"), "steps[0].code", "byte 500 a second time"},
      {steps(R"([{"data":[[0,512]],"metadata":[[511,1]],"code":[[1036,13]]}])"), "steps[0].metadata", "byte 511 a second time"},
      {steps(R"([{"data":[[0,512]],"metadata":[[1036,1]],"code":[[1036,13]]}])"), "steps[0].code", "byte 1036 a second time"},
      {steps(R"([{"data":[[0,512]],"code":[[1036,13]]},{"data":[[512,512]],"code":[[1048,13]]}])"), "steps[1].code",
       "byte 1048 a second time"},
      {steps(R"([{"data":[[0,512]],"code":[[1036,13]]},{"data":[[512,500]],"code":[[1049,13]]}])"), "steps[1]", "differs in size"},
      {steps(R"([{"data":[[0,512]],"code":[[1036,12]]}])"), "steps", "12 code bytes each"},
      {steps(R"([{"data":[[0,1024]],"code":[[1036,13]]}])"), "", "more than the code's 8191 bits"},
      {steps(R"([{"data":[],"code":[[1036,13]]}])"), "", "should have data"},
  };
  for (const auto& bad : kBad) {
    const json::Object object = changed(bad.change);
    const auto scheme = parse_scheme(json::Value(object));
    ASSERT_FALSE(scheme) << json::text_of(json::Value(object));
    EXPECT_EQ(scheme.error().exit_code(), 2);
    EXPECT_THAT(scheme.error().what(), HasSubstr(bad.place));
    EXPECT_THAT(scheme.error().what(), HasSubstr(bad.reason));
  }
}

TEST(Scheme, OtherSchemasAndBrokenTextAreToldApart) {
  EXPECT_EQ(parse_scheme(json::Value(changed([](auto& o) { o["schema"] = "steadycell-ecc/2"; }))).error().code(),
            ErrorCode::version_unknown);
  EXPECT_EQ(parse_scheme(json::Value(changed([](auto& o) { o["schema"] = "other/1"; }))).error().code(), ErrorCode::bad_input_file);
  for (const char* text : {"", "{", "[]", "null", "3", "\"bch\"", "{}", "{\"schema\": 1}"}) {
    const auto scheme = parse_scheme(std::string_view(text));
    ASSERT_FALSE(scheme) << text;
    EXPECT_EQ(scheme.error().code(), ErrorCode::bad_input_file);
  }
  for (std::size_t length = 0; length < kBch8.size(); ++length) EXPECT_FALSE(parse_scheme(kBch8.substr(0, length)));
}

TEST(Scheme, ReedSolomonIsReadAndWrittenBack) {
  constexpr std::string_view kText = R"({ "schema": "steadycell-ecc/1", "code": "reed_solomon", "m": 9, "t": 4, "polynomial": "0x211",
    "symbol_bits": 9, "first_root": 1, "bit_order": "msb_first", "page_bytes": 512, "spare_bytes": 16,
    "steps": [ { "data": [[0,512]], "code": [[519,9]] } ], "mask": null, "erased": "all_ff" })";
  const json::Object whole = json::parse(kText)->as_object();
  const auto scheme = parse_scheme(json::Value(whole));
  ASSERT_TRUE(scheme) << scheme.error().text();
  EXPECT_EQ(scheme->code, CodeKind::reed_solomon);
  EXPECT_EQ(scheme->m, 9u);
  EXPECT_EQ(scheme->first_root, 1u);
  EXPECT_EQ(json::text_of(to_json(*scheme)), json::text_of(json::Value(whole)));
  EXPECT_EQ(to_json(*parse_scheme(pretty(*scheme))), to_json(*scheme));
  for (const char* key : {"m", "symbol_bits"}) {  // one of the two is enough
    json::Object one = whole;
    one.erase(key);
    EXPECT_TRUE(parse_scheme(json::Value(one))) << key;
  }
  const auto refused = [&](const char* key, json::Value value, const char* reason) {
    json::Object bad = whole;
    bad[key] = std::move(value);
    const auto parsed = parse_scheme(json::Value(bad));
    ASSERT_FALSE(parsed) << key;
    EXPECT_THAT(parsed.error().what(), HasSubstr(reason));
  };
  refused("m", 10, "should be equal");
  refused("symbol_bits", 13, "symbol_bits");
  refused("first_root", 511, "below 511");
  refused("polynomial", "0x201", "not primitive");
  refused("t", 5, "10 parity symbols");
  refused("t", 40, "more than the code's 511");
}

TEST(Scheme, HammingNeedsItsStepSizes) {
  const auto hamming = [](std::uint32_t data, std::uint32_t code) {
    return parse_scheme(fmt::format(R"({{ "schema": "steadycell-ecc/1", "code": "hamming", "order": "high_line_first", "page_bytes": 2048,
      "spare_bytes": 64, "steps": [ {{ "data": [[0,{}]], "code": [[2048,{}]] }} ], "erased": "codeword" }})", data, code));
  };
  EXPECT_TRUE(hamming(256, 3));
  EXPECT_TRUE(hamming(512, 3));
  EXPECT_THAT(hamming(1024, 3).error().what(), HasSubstr("Hamming 256 or 512"));
  EXPECT_THAT(hamming(256, 4).error().what(), HasSubstr("Hamming 3"));
}

}  // namespace
}  // namespace steadycell::ecc
