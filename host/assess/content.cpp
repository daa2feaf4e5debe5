#include "assess/content.h"

#include <fmt/format.h>

#include <algorithm>

#include "base/text.h"

namespace steadycell::assess {
namespace {

constexpr std::uint64_t kLeastGaining = 8, kLeastVaried = 4, kLeastWritten = 16;

double share(std::uint64_t part, std::uint64_t of) {
  return of == 0 ? 0 : static_cast<double>(part) / static_cast<double>(of);
}

bool anything_cancels(const Cancellation& cancellation) {
  const auto cancels = [](const Distance& distance) {
    return distance.cancelled >= 4 && distance.share() >= 0.002;
  };
  return std::any_of(cancellation.pages.begin(), cancellation.pages.end(), cancels) ||
         std::any_of(cancellation.blocks.begin(), cancellation.blocks.end(), cancels);
}

}  // namespace

std::string_view name_of(Content content) {
  switch (content) {
    case Content::plain:
      return "plain";
    case Content::scrambled:
      return "scrambled";
    case Content::no_key_found:
      return "no_key_found";
    case Content::erased:
      return "erased";
    case Content::unsure:
      return "unsure";
  }
  return "";
}

std::uint64_t PageCounts::read() const {
  std::uint64_t sum = 0;
  for (const std::uint64_t pages : by_look) sum += pages;
  return sum;
}

bool is_borne_out(const Whitening& whitening) {
  const Gain& gain = whitening.verified;
  return gain.plainer() >= kLeastGaining && gain.plainer() > gain.noisier() &&
         (gain.varied() >= kLeastVaried || whitening.shift_register);
}

Judged judge(const Evidence& evidence) {
  const PageCounts& pages = evidence.pages;
  const std::uint64_t written = pages.written(), plain = pages.of(Look::plain) + pages.of(Look::constant),
                      flat = pages.of(Look::flat);
  if (evidence.whitening_borne_out)
    return {Content::scrambled, "the whitening found makes pages plain that had no part in finding it"};
  if (pages.read() == 0) return {Content::unsure, "no page was read"};
  if (written == 0) return {Content::erased, "every page that was read is erased"};
  if (written < kLeastWritten && share(plain, written) < 0.5)
    return {Content::unsure, fmt::format("{} {} too few to judge by", counted(written, "written page"), written == 1 ? "is" : "are")};
  if (pages.of(Look::constant) == written)
    return {Content::plain,
            "every written page holds one value nearly throughout. That is no whitening, but may be no contents "
            "either: a bus that nothing drives reads so. Look at the contact check, and at the chip's ID"};
  if (share(plain, written) >= 0.1)
    return {Content::plain, fmt::format("{} of {} written pages are plain by themselves", plain, written)};
  if (anything_cancels(evidence.cancellation))
    return {Content::unsure,
            "pages a fixed distance apart have something in common, but no whitening explains them: the same "
            "contents may lie there again and "
            "again, or too few pages are plain beneath a whitening"};
  if (plain > 0 && share(plain, written) >= 0.01)
    return {Content::unsure,
            fmt::format("{} of {} written pages are plain by themselves, the others look random", plain, written)};
  if (share(flat, written) >= 0.9)
    return {Content::no_key_found,
            "written pages look random and no whitening comes back. So do contents under a whitening seeded by "
            "block or page address, "
            "compressed media (pictures, sound, films, archives), encrypted contents and random ones: which of "
            "them it is these figures cannot tell"};
  return {Content::unsure, "pages are neither plain nor random"};
}

std::uint32_t repeat_of(const std::vector<Bytes>& sequences) {
  const auto known =
      std::find_if(sequences.begin(), sequences.end(), [](const Bytes& sequence) { return !sequence.empty(); });
  if (known == sequences.end()) return 0;
  const auto repeats = [](const Bytes& sequence, std::size_t after) {
    return sequence.empty() ||
           std::equal(sequence.begin() + static_cast<std::ptrdiff_t>(after), sequence.end(), sequence.begin());
  };
  for (std::uint32_t after = 1; after <= known->size() / 2; ++after)
    if (std::all_of(sequences.begin(), sequences.end(),
                    [&](const Bytes& sequence) { return repeats(sequence, after); }))
      return after;
  return 0;
}

}  // namespace steadycell::assess
