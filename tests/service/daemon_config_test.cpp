#include "service/daemon_config.h"

#include <gtest/gtest.h>

namespace steadycell::service {
namespace {

TEST(DaemonConfig, LeavesWhatIsNotSaidAsItIs) {
  const auto config = parse_daemon_config(R"({"schema": "steadycell-daemon/1", "max_jobs": 3})");
  ASSERT_TRUE(config) << config.error().text();
  EXPECT_EQ(config->max_jobs, 3u);
  EXPECT_EQ(config->max_clients, DaemonConfig().max_clients);
}

TEST(DaemonConfig, NamesTheKeyThatIsWrong) {
  for (const auto& [text, word] : {std::pair{"{", "byte"}, {"[]", "object"}, {R"({"max_jobs": 3})", "schema"},
                                   {R"({"schema": "steadycell-daemon/2"})", "steadycell-daemon/1"},
                                   {R"({"schema": "steadycell-daemon/1", "max_jobs": 65})", "1 to 64"},
                                   {R"({"schema": "steadycell-daemon/1", "jobs": 1})", "jobs"}}) {
    const auto refused = parse_daemon_config(text);
    ASSERT_FALSE(refused) << text;
    EXPECT_EQ(refused.error().code(), ErrorCode::bad_configuration);
    EXPECT_NE(refused.error().what().find(word), std::string::npos) << refused.error().what();
  }
}

}  // namespace
}  // namespace steadycell::service
