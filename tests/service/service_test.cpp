#include "service/service.h"

#include <gtest/gtest.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>

#include "passes/head.h"
#include "passes/sample.h"
#include "service/broken_job.h"

namespace steadycell::service {
namespace {

// The simulated board is found through PATH: this binary does not lie beside it.
class ServiceOnTheBench : public ::testing::Test {
 protected:
  void SetUp() override {
    setenv("PATH", STEADYCELL_BIN_DIR ":/usr/bin:/bin", 1);
    folder_ = std::filesystem::temp_directory_path() / ("steadycell-service-" + passes::make_uuid());
    std::filesystem::create_directory(folder_);
    setenv("XDG_RUNTIME_DIR", folder_.c_str(), 1);  // locks of boards
    std::ofstream(folder_ / "fixture.json") << R"({ "schema": "steadycell-fixture/1", "seed": 1,
      "chip": { "supply_mV": 3300, "targets": [ { "id_bytes": "98 D1 90 15 76 14 01 00",
        "geometry": { "page_bytes": 2048, "spare_bytes": 64, "pages_per_block": 64, "blocks": 8, "luns": 1, "planes": 1,
                      "bits_per_cell": 1, "bus_bits": 8, "column_cycles": 2, "row_cycles": 2 } } ],
        "cells": { "model": "simple", "marginal_fraction": 1e-3, "flip_probability": [0.1, 0.3] } } })";
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  json::Object read_params(std::uint64_t passes) const {
    return {{"board", "sim:" + (folder_ / "fixture.json").string()}, {"supply_mV", 3300}, {"passes", passes},
            {"blocks", json::Array{0, 7}}, {"into", (folder_ / "capture").string()}};
  }

  std::filesystem::path folder_;
  Service service_;
};

// What one pass of a capture lacks in between: the same blocks of two LUNs are told apart.
TEST_F(ServiceOnTheBench, ExportNamesTheLunOfMissingBlocksWhereThereAreSeveral) {
  for (const std::uint8_t luns : {std::uint8_t{1}, std::uint8_t{2}}) {
    Geometry geometry = passes::small_chip();
    geometry.luns = luns;
    const std::string capture = (folder_ / fmt::format("of-{}", luns)).string();
    auto writer = passes::CaptureWriter::create(files::posix(), capture, passes::small_head(geometry));
    ASSERT_TRUE(writer) << writer.error().text();
    for (std::uint8_t lun = 0; lun < luns; ++lun)
      for (const std::uint32_t block : {0u, 3u, 5u})
        ASSERT_TRUE(writer->append_unit({{0, lun}, {block}, 1}, passes::block_content(geometry, block, 1),
                                        std::vector<passes::PageStatus>(geometry.pages_per_block, passes::PageStatus::read)));
    ASSERT_TRUE(writer->seal_pass(1));
    ASSERT_TRUE(writer->finish());
    const auto exported = service_.call(
        "capture.export", json::Object{{"capture", capture}, {"pass", 1}, {"to", capture + ".bin"}}, JobHooks());
    ASSERT_TRUE(exported) << exported.error().text();
    const auto& notes = exported->at("notes").get_array();
    ASSERT_EQ(notes.size(), 1u);
    const std::string where = luns == 1 ? "3 blocks of pass 1 in between (1-2, 4): "
                                        : "6 blocks of pass 1 in between (1-2 of target 0, LUN 0, 4 of target 0, LUN 0, "
                                          "1-2 of target 0, LUN 1, 4 of target 0, LUN 1): ";
    EXPECT_NE(notes[0].get_string().find(where), std::string::npos) << notes[0].get_string();
  }
}

TEST_F(ServiceOnTheBench, ReadsGoesOnAndSettlesWithProgress) {
  std::uint64_t told = 0;
  JobHooks hooks;
  hooks.progress = [&](const api::Progress& progress) {
    ++told;
    EXPECT_LE(progress.done, progress.total);
  };
  const auto first = service_.call("chip.read", read_params(1), hooks);
  ASSERT_TRUE(first) << first.error().text();
  EXPECT_EQ(first->at("units_read").to_number<int>(), 8);
  const auto more = service_.call("chip.read", read_params(3), hooks);
  ASSERT_TRUE(more) << more.error().text();
  EXPECT_EQ(more->at("units_read").to_number<int>(), 16);
  EXPECT_EQ(more->at("units_held").to_number<int>(), 8);
  EXPECT_GE(told, 24u);
  const auto settled = service_.call(
      "capture.settle", json::Object{{"capture", (folder_ / "capture").string()}, {"image", (folder_ / "image").string()}}, hooks);
  ASSERT_TRUE(settled) << settled.error().text();
  EXPECT_EQ(settled->at("pages").to_number<int>(), 512);
}

TEST_F(ServiceOnTheBench, StopEndsAtAUnitAndKeepsWhatIsDone) {
  std::atomic<bool> stop{false};
  JobHooks hooks;
  hooks.stop = &stop;
  hooks.progress = [&](const api::Progress& progress) {
    if (progress.done == 3) stop = true;
  };
  const auto stopped = service_.call("chip.read", read_params(40), hooks);
  ASSERT_FALSE(stopped);
  EXPECT_EQ(stopped.error().code(), ErrorCode::interrupted);
  EXPECT_FALSE(stopped.error().kept().empty());
  stop = false;
  const auto resumed = service_.call("chip.read", read_params(1), {});
  ASSERT_TRUE(resumed) << resumed.error().text();
  EXPECT_GE(resumed->at("units_held").to_number<int>(), 3);
}

TEST_F(ServiceOnTheBench, StoppedJobThatKeepsNothingSaysThatItBeginsAnew) {
  const std::atomic<bool> stop{true};
  JobHooks hooks;
  hooks.stop = &stop;
  const std::string board = "sim:" + (folder_ / "fixture.json").string();
  for (const char* method : {"board.check", "supply.cold", "socket.check", "chip.identify"}) {
    json::Object params{{"board", board}};
    if (method == std::string_view("board.check")) params["bench"] = (folder_ / "bench").string();
    const auto stopped = service_.call(method, params, hooks);
    ASSERT_FALSE(stopped) << method;
    EXPECT_EQ(stopped.error().code(), ErrorCode::interrupted) << stopped.error().text();
    EXPECT_EQ(stopped.error().next(), "run the same command again: it begins anew") << method;
    EXPECT_EQ(advice_on_broken_job(method, params), "repeat the command: it begins anew");
    EXPECT_EQ(kept_by_broken_job(method, params), "");
  }
  const auto read = service_.call("chip.read", read_params(1), hooks);
  ASSERT_FALSE(read);
  EXPECT_EQ(read.error().next().find("anew"), std::string::npos) << read.error().next();
}

TEST_F(ServiceOnTheBench, WhatABrokenReadKeptIsCountedInItsFolder) {
  const json::Value params = read_params(2);
  EXPECT_EQ(kept_by_broken_job("chip.read", params), "");
  ASSERT_TRUE(service_.call("chip.read", params, {}));
  EXPECT_EQ(kept_by_broken_job("chip.read", params), "16 units safe in " + (folder_ / "capture").string());
  EXPECT_EQ(advice_on_broken_job("chip.read", params), "repeat the command: it goes on where it stopped");
}

TEST_F(ServiceOnTheBench, AChipSilentAtTheLowRailNeedsTheUsersWord) {
  json::Object params{{"board", "sim:" + (folder_ / "fixture.json").string()}};
  const auto refused = service_.call("chip.identify", params, {});
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().code(), ErrorCode::needs_consent);
  EXPECT_EQ(refused.error().exit_code(), 6);
}

TEST(Service, NamesAMethodOrAParameterThatItDoesNotKnow) {
  Service service;
  const auto method = service.call("chip.erase", json::Object{}, {});
  ASSERT_FALSE(method);
  EXPECT_NE(method.error().what().find("chip.erase"), std::string::npos);
  const auto parameter = service.call("chip.decode", json::Object{{"id", "EC DC 10 95 54"}, {"colour", 1}}, {});
  ASSERT_FALSE(parameter);
  EXPECT_NE(parameter.error().what().find("colour"), std::string::npos);
  const auto missing = service.call("image.show", json::Object{}, {});
  ASSERT_FALSE(missing);
  EXPECT_NE(missing.error().what().find("image"), std::string::npos);
}

}  // namespace
}  // namespace steadycell::service
