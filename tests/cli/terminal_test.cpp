#include "cli/terminal.h"

#include <gtest/gtest.h>

#include <sstream>

namespace steadycell::cli {
namespace {

struct Asked {
  bool yes;
  std::string said;
};
Asked ask(const std::string& typed) {
  std::istringstream in(typed);
  std::ostringstream out;
  const bool yes = ask_yes(in, out, "3.3 V?", "not powered");
  return {yes, out.str()};
}

TEST(Asking, TheWholeWordIsYes) {
  for (const char* typed : {"yes\n", "YES\n", "  yes \r\n", "y\nyes\n"}) {
    const Asked asked = ask(typed);
    EXPECT_TRUE(asked.yes) << typed;
    EXPECT_EQ(asked.said.find("not powered"), std::string::npos);
  }
}

TEST(Asking, WhatIsNeitherYesNorNoIsAskedOnceMoreWithTheWordsThatCount) {
  const Asked asked = ask("y\nyes\n");
  EXPECT_EQ(asked.said, "3.3 V? [yes/no] Type the whole word yes, or no: ");
  EXPECT_FALSE(ask("y\ny\nyes\n").yes);  // once
}

TEST(Asking, ANoIsNeverSilent) {
  for (const char* typed : {"no\n", "NO\n", "y\ny\n", "y\n", "\n\n", "", "yes please\nno\n"}) {
    const Asked asked = ask(typed);
    EXPECT_FALSE(asked.yes) << typed;
    EXPECT_TRUE(asked.said.ends_with("not powered\n")) << asked.said;
  }
}

}  // namespace
}  // namespace steadycell::cli
