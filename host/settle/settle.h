#pragma once
#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "base/json.h"
#include "base/result.h"
#include "base/sha256.h"
#include "files/file_system.h"
#include "image/manifest.h"
#include "passes/stage_times.h"
#include "settle/hooks.h"
#include "vote/cause.h"

// From passes to an image with a verdict for each page. docs/settling.md has the rules.
namespace steadycell::settle {

struct Request {
  std::string capture;  // folder of a capture
  std::string image;    // folder to make; an existing one is refused
  std::optional<json::Value> scheme = {};  // ECC scheme, steadycell-ecc/1
  bool allow_partial = false;              // settle also while pass 1 is not finished
  std::string version = {}, build = {};         // of the program, for the manifest
};

struct Summary {
  image::Manifest manifest;       // as written: verdicts by count, unstable and corrected bits, files, notes
  Digest sha256{};                // of pages.raw; with several LUNs of their pages files one after the other
  std::uint32_t passes = 0;       // highest pass that took part
  std::map<image::Cause, std::uint64_t> causes;  // pages by why they waver or were not read; `none` left out
  vote::LaneEvidence lanes;       // over the wavering bits of the whole chip
  std::uint64_t tied_bits = 0;    // split evenly: the first pass decided
  bool partial = false;           // pass 1 was not finished: blocks that were asked for may be missing; a note says so
  passes::StageTimes times;       // reading, voting, judging, writing
};

// Votes per bit over all passes of the capture, lets the code judge and correct each page when a scheme is given, and
// writes the bundle, which appears under its name only when it is complete and on the medium.
//
// Works block by block in constant memory: about three blocks, at most 24 MiB of counters and some buffers. With a
// scheme it goes through the capture twice: first to measure this chip's error rates on at most 128 blocks spread
// evenly, then to decide. The same capture and scheme always give the same bytes.
//
// Errors: those of the capture (bad_input_file, file_damaged, ...), bad_input_file while pass 1 is not finished or for a
// scheme that does not fit the chip, already_exists for the image, storage_full and storage_failed, interrupted. On any of
// them no image appears and the capture is untouched.
Result<Summary> settle(files::FileSystem& system, const Request& request, const Hooks& hooks = {});

}  // namespace steadycell::settle
