#include <exception>
#include <iostream>

#include "cli/app.h"

int main(int argc, char** argv) {
  try {
    return steadycell::cli::run(std::vector<std::string>(argv + 1, argv + argc));
  } catch (const std::exception& fault) {
    std::cerr << "e601 internal fault: " << fault.what() << ": report it with the message\n";
    return 1;
  }
}
