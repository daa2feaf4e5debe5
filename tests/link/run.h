#pragma once
#include <gtest/gtest.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <exception>
#include <utility>

#include "link/link.h"

namespace steadycell::link::testing {

// Runs a coroutine to its end on a thread's own context.
inline void run(asio::io_context& context, asio::awaitable<void> body) {
  asio::co_spawn(context, std::move(body), [](const std::exception_ptr& fault) {
    if (fault) std::rethrow_exception(fault);
  });
  context.run();
}

}  // namespace steadycell::link::testing
