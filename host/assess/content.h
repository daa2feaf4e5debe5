#pragma once
#include <array>
#include <optional>
#include <string>
#include <vector>

#include "assess/sequence.h"
#include "assess/whitening_key.h"

// What the pages of a chip hold, as far as figures tell.
namespace steadycell::assess {

enum class Content : std::uint8_t {
  plain,         // contents stand in the pages as they are
  scrambled,     // whitened, and the whitening was found and is borne out
  no_key_found,  // pages look random and nothing comes back: whitening of another kind, compressed or encrypted
                 // contents
  erased,        // nothing was written
  unsure
};
std::string_view name_of(Content content);

struct PageCounts {
  std::uint64_t unread = 0;
  std::array<std::uint64_t, 5> by_look{};  // of the pages read
  std::uint64_t of(Look look) const { return by_look[static_cast<std::size_t>(look)]; }
  std::uint64_t read() const;
  std::uint64_t written() const { return read() - of(Look::erased); }
};

// A whitening, and what it does to pages that had no part in finding it.
struct Whitening {
  WhiteningKey key;
  std::optional<Register> shift_register;  // that makes the sequences, of a table as well
  std::uint64_t found_on = 0;              // pages
  Gain verified;
  std::uint32_t known_sequences = 0;  // of a table
  std::uint64_t uncertain_bytes = 0;  // of these, data bytes that changed when a third more pages were asked: about so many were guesses
  std::uint32_t repeats_bytes = 0;    // all sequences repeat within the page after this many bytes; 0: they do not
};

// At least eight pages gain by it, and more than lose (pages that were never whitened do, and are left alone
// later); and either the contents that come out are varied (else the same page again and again would look
// whitened), or the sequences are those of a register.
bool is_borne_out(const Whitening& whitening);

struct Evidence {
  PageCounts pages;
  Cancellation cancellation;
  bool whitening_borne_out = false;
};

// The verdict and its reason, in words for people.
struct Judged {
  Content content = Content::unsure;
  std::string because;
};
Judged judge(const Evidence& evidence);

// After how many bytes each of the sequences repeats, all alike; 0 when they do not within half their length.
std::uint32_t repeat_of(const std::vector<Bytes>& sequences);

}  // namespace steadycell::assess
