#pragma once
#include <optional>
#include <span>

#include "assess/content.h"
#include "settle/hooks.h"
#include "settle/page_source.h"

// The parts of an assessment that look for the whitening; for the .cpp files of this room only.
namespace steadycell::settle {

// One page kept, page and spare area.
struct KeptPage {
  image::PlacedPage at;
  Bytes bytes;
};

// The whitening by a register, found on every second page and tried on the others. Nothing when no register shows.
std::optional<assess::Whitening> find_register_whitening(const Geometry& geometry,
                                                         std::span<const KeptPage> pages);

// The sequences of this period, each found on at most 192 of its pages and tried on at most 64 others (48 and 16
// when there are many sequences); sequences that make none of these plainer, or that change in more
// than a tenth of their bytes once all pages are asked, are left empty. `shift_register`:
// cleans the sequences where it explains them. Memory: about 128 MiB.
Result<assess::Whitening> find_sequences(PageSource& source, const assess::Period& period,
                                         const std::optional<assess::Register>& shift_register,
                                         const Hooks& hooks);

}  // namespace steadycell::settle
