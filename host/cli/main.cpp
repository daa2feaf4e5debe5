#include <unistd.h>

#include <exception>
#include <iostream>

#include "cli/app.h"
#include "service/last_words.h"

int main(int argc, char** argv) {
  try {
    steadycell::service::end_without_memory(steadycell::service::without_memory().text() + "\n", STDERR_FILENO);
    return steadycell::cli::run(std::vector<std::string>(argv + 1, argv + argc));
  } catch (const std::exception& fault) {
    std::cerr << "e601 internal fault: " << fault.what() << ": report it with the message\n";
    return 1;
  }
}
