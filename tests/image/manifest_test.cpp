#include "image/manifest.h"

#include <gtest/gtest.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "image/samples.h"

namespace steadycell::image {
namespace {

const std::string kFolder = STEADYCELL_SOURCE_DIR "/tests/image";

std::string slurp(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  EXPECT_TRUE(in) << path;
  std::stringstream text;
  text << in.rdbuf();
  return text.str();
}

TEST(Manifest, GoldenFileStaysReadableAndWritesTheSame) {
  const std::string golden = slurp(kFolder + "/golden/manifest.json");
  const auto parsed = parse_manifest(golden);
  ASSERT_TRUE(parsed) << parsed.error().text();
  EXPECT_EQ(json::pretty(to_json(*parsed)), golden);
}

TEST(Manifest, ReadsBackEveryField) {
  const Manifest m = small_bundle().manifest;
  const auto parsed = parse_manifest(json::pretty(to_json(m)));
  ASSERT_TRUE(parsed) << parsed.error().text();
  EXPECT_EQ(parsed->geometry, m.geometry);
  EXPECT_EQ(parsed->identity, m.identity);
  EXPECT_EQ(parsed->capture_uuid, m.capture_uuid);
  EXPECT_EQ(parsed->journal_head, m.journal_head);
  EXPECT_EQ(parsed->scheme, m.scheme);
  EXPECT_EQ(parsed->conditions, m.conditions);
  EXPECT_EQ(parsed->coverage, m.coverage);
  EXPECT_EQ(parsed->not_read, m.not_read);
  EXPECT_EQ(parsed->fill_byte, m.fill_byte);
  EXPECT_EQ(parsed->summary, m.summary);
  EXPECT_EQ(parsed->raw_bit_error_rate, m.raw_bit_error_rate);
  EXPECT_EQ(parsed->notes, m.notes);
  EXPECT_EQ(parsed->files, m.files);
}

TEST(Manifest, WithoutSchemeOrRateSaysNull) {
  Manifest m = small_bundle().manifest;
  m.scheme.reset();
  m.raw_bit_error_rate.reset();
  const std::string text = json::text_of(to_json(m));
  EXPECT_NE(text.find("\"scheme\":null"), std::string::npos);
  const auto parsed = parse_manifest(text);
  ASSERT_TRUE(parsed) << parsed.error().text();
  EXPECT_FALSE(parsed->scheme);
  EXPECT_FALSE(parsed->raw_bit_error_rate);
}

// The same table drives check_schema.py: schema and parser must refuse alike ("semantic": only the parser can see
// it).
TEST(Manifest, F39_HostileOnesAreRefusedWithTheirKey) {
  const auto golden = json::parse(slurp(kFolder + "/golden/manifest.json"));
  const auto table = json::parse(slurp(kFolder + "/hostile_manifests.json"));
  ASSERT_TRUE(golden && table) << table.error().text();
  for (const json::Value& row : table->as_array()) {
    json::Value manifest = *golden;
    const std::string path(row.at("path").as_string());
    boost::system::error_code code;
    const std::size_t slash = path.rfind('/');
    json::Value* parent = manifest.find_pointer(path.substr(0, slash), code);
    ASSERT_TRUE(parent && parent->is_object()) << path;
    json::Object& object = parent->as_object();
    if (row.as_object().contains("remove")) {
      ASSERT_EQ(object.erase(path.substr(slash + 1)), 1u) << path;
    } else {
      object[path.substr(slash + 1)] = row.at("value");
    }
    const auto parsed = parse_manifest(json::text_of(manifest));
    ASSERT_FALSE(parsed) << path << " = " << json::text_of(row);
    EXPECT_NE(parsed.error().what().find(std::string(row.at("says").as_string())), std::string::npos)
        << json::text_of(row) << " -> " << parsed.error().what();
  }
}

TEST(Manifest, F39_AnotherMajorVersionIsRefusedAsSuch) {
  std::string text = json::text_of(to_json(small_bundle().manifest));
  const auto put = [&](std::string_view schema) {
    std::string changed = text;
    changed.replace(changed.find("steadycell-image/1"), 18, schema);
    return parse_manifest(changed);
  };
  EXPECT_EQ(put("steadycell-image/2").error().code(), ErrorCode::version_unknown);
  EXPECT_EQ(put("steadycell-capture/1").error().code(), ErrorCode::bad_input_file);
}

TEST(Manifest, F39_HostileTextIsRefusedWithoutACrash) {
  const std::string good = json::text_of(to_json(small_bundle().manifest));
  for (std::size_t length = 0; length < good.size(); ++length)
    EXPECT_FALSE(parse_manifest(good.substr(0, length)));
  EXPECT_FALSE(parse_manifest(std::string(100'000, '[')));
  EXPECT_FALSE(parse_manifest("null"));
  EXPECT_FALSE(parse_manifest("[]"));
  EXPECT_FALSE(parse_manifest("{\"schema\": \"steadycell-image/1\"}"));
  EXPECT_FALSE(parse_manifest(std::string((16u << 20) + 1, ' ')));
}

TEST(Manifest, HoldsNoPageBytes) {
  SmallBundle b = small_bundle();
  const std::string text = json::text_of(to_json(b.manifest));
  const std::string page = hex(ByteSpan(b.pages).subspan(4 * 18, 18));  // 1c1c1c...
  EXPECT_EQ(text.find(page.substr(0, 12)), std::string::npos);
}

// The stdlib-only reader of a stranger (read_bundle.py) accepts a bundle, and no bundle with one changed byte.
class PythonReader : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = std::filesystem::path(::testing::TempDir()) / ("steadycell-bundle-" + std::to_string(::getpid()));
    std::filesystem::create_directories(folder_);
    const SmallBundle b = small_bundle();
    write("pages.raw", as_text(b.pages));
    write(kCorrectionsName, as_text(b.corrections));
    write(kMarginsName, as_text(b.margins));
    write(kVerdictsName, b.verdicts);
    write(kBlockHashesName, as_text(b.block_hashes));
    write(kManifestName, json::pretty(to_json(b.manifest)));
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  void write(std::string_view name, std::string_view bytes) const {
    std::ofstream(folder_ / name, std::ios::binary) << bytes;
  }
  int read() const {
    const std::string command = std::string("\"") + STEADYCELL_PYTHON + "\" \"" + kFolder +
                                "/read_bundle.py\" \"" + folder_.string() + "\" > \"" +
                                (folder_ / "out").string() + "\" 2>&1";
    return std::system(command.c_str());
  }
  std::string output() const { return slurp((folder_ / "out").string()); }

  std::filesystem::path folder_;
};

TEST_F(PythonReader, AcceptsOurBundle) {
  ASSERT_EQ(read(), 0) << output();
  EXPECT_NE(output().find("corrected 2"), std::string::npos) << output();
}

TEST_F(PythonReader, SeesOneFlippedBitInAnyFile) {
  for (const std::string_view name :
       {std::string_view("pages.raw"), kCorrectionsName, kMarginsName, kVerdictsName, kBlockHashesName}) {
    const std::string good = slurp((folder_ / name).string());
    std::string bad = good;
    bad[bad.size() / 2] = static_cast<char>(bad[bad.size() / 2] ^ 1);
    write(name, bad);
    EXPECT_NE(read(), 0) << name;
    EXPECT_NE(output().find(name), std::string::npos) << output();
    write(name, good);
  }
}

}  // namespace
}  // namespace steadycell::image
