#pragma once
#include <boost/asio/awaitable.hpp>
#include <vector>

#include "capture/proofs.h"
#include "passes/capture.h"

// Is the chip in the socket the one that a capture was begun with? Not for other rooms.
namespace steadycell::capture {

// Whether a chip can go on with the capture at all: mismatched_capture for passes that were imported, which were read elsewhere.
Result<void> check_origin(const passes::CaptureHead& head, const std::string& folder);
// What both said of themselves. mismatched_capture with both identities.
Result<void> compare_identity(const passes::CaptureHead& head, const Found& found);

// A page of the first pass that is not blank.
struct Witness {
  UnitPlace place;
  PageAddress page;
  Bytes raw;
};
// At most four, from units spread over what the capture holds. Reads files; memory of one unit.
Result<std::vector<Witness>> pick_witnesses(passes::CaptureReader& reader);

// Chips of one type say the same of themselves: their pages tell them apart. mismatched_capture when every witness differs
// as different data do; no witness, no verdict.
asio::awaitable<Result<void>> compare_pages(board::BoardClient& board, const Geometry& geometry, const Proven& proven,
                                            const std::vector<Witness>& witnesses);

}  // namespace steadycell::capture
