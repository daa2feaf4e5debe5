#include "contact/contact.h"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>

#include "base/text.h"
#include "contact/placement.h"
#include "contact/remarks.h"

// Thresholds are common practice (docs/contacts.md): production testers take a short within some +/-0.2 V, an open at the
// compliance, and a junction near 0.65 V.
namespace steadycell::contact {
namespace {

constexpr int kWaver_mV = 100;   // a resistor reads alike both ways
constexpr unsigned kFewest = 5;  // fewer positions that touch are no pattern

// What the readings say, position by position.
struct Seen {
  explicit Seen(const Readings& readings) {
    for (unsigned p = 1; p <= kPositions; ++p) {
      const Reading& r = readings.positions[p - 1];
      if (r.bridged_with != 0) join(p, r.bridged_with);
      if (shorts(r.plus_mV) && shorts(r.minus_mV)) tied.set(p);
      if (conducts(r.plus_mV)) up.set(p);
      if (conducts(r.minus_mV)) down.set(p);
    }
    rail_up = conducts(readings.rail.plus_mV);
    rail_down = conducts(readings.rail.minus_mV);
    // Silicon conducts one way and carries its junction's voltage. Next to nothing, be it one way only, is a short: one way alone is one
    // that comes and goes.
    rail_short = shorts(readings.rail.plus_mV) || shorts(readings.rail.minus_mV);
    rail_wavers = rail_short && std::abs(std::abs(readings.rail.plus_mV) - std::abs(readings.rail.minus_mV)) > kWaver_mV;
    for (unsigned p = 1; p <= kPositions; ++p)
      if (is_supply(p)) {
        supply_alone[p] = !tied[p];
        supply_touches[p] = up[p] || down[p];
        up.reset(p);
        down.reset(p);
        tied.reset(p);
      }
  }
  PositionSet any() const { return up | down; }
  bool no_junction() const { return any().none() && supply_touches.none() && !rail_up && !rail_down; }
  bool nothing() const { return no_junction() && tied.none() && nets.empty(); }

  PositionSet up, down, tied;                 // junction at +100 uA, at -100 uA; into a rail
  std::vector<PositionSet> nets;              // positions tied together, each in one net
  PositionSet supply_alone, supply_touches;   // of 12, 13, 36, 37: measured alone; conduct
  bool rail_up = false, rail_down = false, rail_short = false, rail_wavers = false;

 private:
  void join(unsigned a, unsigned b) {
    PositionSet net;
    net.set(a).set(b);
    std::erase_if(nets, [&](const PositionSet& other) {
      const bool meets = (other & net).any();
      if (meets) net |= other;
      return meets;
    });
    nets.push_back(net);
  }
};

// Of every net what the chip itself does not explain by tying its supply pins together; where the rest lies beside a pin of
// that supply, or is a single position, with the pins it is tied to.
PositionSet bridged_beyond(const Hypothesis& h, const Seen& seen) {
  PositionSet out;
  for (const PositionSet& net : seen.nets) {
    const PositionSet& own = (net & h.chip_supply).count() >= (net & h.chip_ground).count() ? h.chip_supply : h.chip_ground;
    const PositionSet foreign = net & ~own;
    if (foreign.none()) continue;
    PositionSet ends = net & ((foreign << 1) | (foreign >> 1));
    ends.reset(0);
    if ((ends & own).none()) ends = net & own;
    out |= foreign | ends;
  }
  return out;
}

std::vector<unsigned> positions_of(const PositionSet& set) {
  std::vector<unsigned> out;
  for (unsigned p = 1; p <= kPositions; ++p)
    if (set[p]) out.push_back(p);
  return out;
}

std::string names_of(const SocketMap& map, const std::vector<unsigned>& pins) {
  std::vector<std::string> names;
  names.reserve(pins.size());
  for (const unsigned p : pins) names.push_back(map.describe(p));
  return fmt::format("{}", fmt::join(names, ", "));
}

PositionSet side(bool first) {
  PositionSet out;
  for (unsigned p = 1; p <= kPositions; ++p) out[p] = (p <= kLastOfSide) == first;
  return out;
}

std::vector<const SocketMap*> candidates(const SocketMap* map) {
  std::vector<const SocketMap*> out;
  if (map) out.push_back(map);
  for (const SocketMap& built_in : built_in_maps())
    if (!map && !built_in.adapter) out.push_back(&built_in);
  return out;
}

// In place the directions do not matter: some parts have no upper diode. An open pin is common, a position that conducts
// where the part has nothing is not.
std::size_t misfit_in_place(const Hypothesis& h, const Seen& seen) {
  const PositionSet wanted = h.map->signals;
  const PositionSet touching = seen.any() | seen.tied;
  return 2 * (wanted & ~touching).count() + 3 * (seen.any() & ~h.not_looked_at & ~wanted).count();
}

std::size_t misfit_out_of_place(const Hypothesis& h, const Seen& seen) {
  const PositionSet looked_at = ~h.not_looked_at & ~seen.tied;
  return ((h.up ^ seen.up) & looked_at).count() + ((h.down ^ seen.down) & looked_at).count();
}

// The rail comes first: ten of the fifteen signals of a turned chip lie on positions that are signals too, so counting
// contacts does not find it; the polarity of the rail does.
bool rail_allows(const Hypothesis& h, const Seen& seen) {
  if (seen.rail_up && seen.rail_down) return h.rail_up || h.rail_down;  // something leaks between VCC and ground
  return h.rail_up == seen.rail_up && h.rail_down == seen.rail_down;
}

struct Best {
  const Hypothesis* hypothesis = nullptr;
  std::size_t misfit = 0;
  bool clear = true;  // no other finding explains the readings nearly as well
};

Best best_of(const std::vector<Hypothesis>& all, const Seen& seen) {
  constexpr std::size_t kMargin = 3;
  Best best;
  std::size_t other = SIZE_MAX;
  for (const Hypothesis& h : all) {
    if (!rail_allows(h, seen)) continue;
    const std::size_t misfit =
        h.seating == Seating::seated && seen.rail_down && !seen.rail_up ? misfit_in_place(h, seen) : misfit_out_of_place(h, seen);
    if (!best.hypothesis || misfit < best.misfit) {
      if (best.hypothesis && best.hypothesis->seating != h.seating) other = std::min(other, best.misfit);
      best.hypothesis = &h;
      best.misfit = misfit;
    } else if (h.seating != best.hypothesis->seating) {
      other = std::min(other, misfit);
    }
  }
  if (best.hypothesis) best.clear = other >= best.misfit + kMargin;
  return best;
}

Verdict finding(const SocketMap& map, Seating seating, std::vector<unsigned> pins, std::string sentence) {
  Verdict out;
  out.map = map;
  out.seating = seating;
  out.pins = std::move(pins);
  out.sentence = std::move(sentence);
  return out;
}

Verdict unsure(const SocketMap& map, const Seen& seen, std::string sentence) {
  return finding(map, Seating::unsure, positions_of(seen.any()), std::move(sentence));
}

// A position that reads 0 V and was found tied to none by the search for bridges: its neighbour, if that is a rail, is the likely end.
PositionSet bridged_pins(PositionSet bridged, const PositionSet& tied) {
  for (const unsigned p : positions_of(tied & ~bridged))
    for (const unsigned rail : {12u, 13u, 36u, 37u})
      if (rail + 1 == p || rail == p + 1) bridged.set(rail);
  return bridged | tied;
}

Verdict judge_in_place(const Readings& readings, const Seen& seen, const Hypothesis& h, bool map_given) {
  const SocketMap& map = *h.map;
  const PositionSet touching = seen.any() | seen.tied;
  PositionSet missing = map.signals & ~touching;
  const PositionSet tied = seen.tied & ~map.may_be_bonded(), bridged = bridged_beyond(h, seen);
  if (bridged.any() || tied.any()) {
    const auto pins = positions_of(bridged_pins(bridged, tied));
    Verdict out = finding(
        map, Seating::bridged, pins,
        fmt::format("tied together that should not be: {}: solder, debris, a bent pin or a damaged input; clean and reseat the chip",
                    names_of(map, pins)));
    if (missing.any()) out.notes.emplace_back(fmt::format("also no contact at {}", names_of(map, positions_of(missing))));
    return out;
  }
  if ((map.signals & touching).count() < kFewest)
    return unsure(map, seen, "few positions touch, in no pattern of a seated chip; reseat it");
  missing |= seen.supply_alone & ~seen.supply_touches;
  for (const bool first : {true, false}) {
    const PositionSet here = map.signals & side(first), there = map.signals & side(!first);
    if ((here & ~missing).none() && (there & missing).count() * 2 < there.count())
      return finding(map, Seating::open_row, positions_of(missing),
                     fmt::format("nothing touches on the side of pins {}: a bent row, a tilted lid or debris under it; reseat the chip",
                                 first ? "1 to 24" : "25 to 48"));
  }
  if (missing.any())
    return finding(
        map, Seating::open_pins, positions_of(missing),
        fmt::format("no contact at {}: a dirty or bent pin; clean it and reseat the chip", names_of(map, positions_of(missing))));
  // No upper diode at all is how some parts are made; a single pin without one is a fault.
  const PositionSet half = map.signals & ~(seen.up & seen.down) & ~seen.tied;
  const bool made_so = half == map.signals && (seen.up.none() || seen.down.none());
  if (half.any() && !made_so)
    return finding(
        map, Seating::open_pins, positions_of(half),
        fmt::format("only one of two junctions at {}: damaged by static or over-voltage, or a contact that changes; reseat and repeat",
                    names_of(map, positions_of(half))));

  Verdict out = finding(map, Seating::seated, {}, "");
  out.sentence = fmt::format("the chip is seated: all {} signals of a part with {} touch", map.signals.count(),
                             counted(map.chip_enables, "chip enable"));
  if (const PositionSet extra = seen.any() & ~map.signals & ~map.may_be_bonded(); extra.any())
    out.notes.emplace_back(fmt::format("also conducting: {}; compare with the part's data sheet", names_of(map, positions_of(extra))));
  if (made_so) out.notes.emplace_back("one of two junctions is missing at all pins: how this part is made, no fault");
  if (!map_given) {
    std::vector<std::string> other = other_readings_of(map, seen.any());
    out.notes.insert(out.notes.end(), other.begin(), other.end());
  }
  for (std::string& note : remarks_on(readings, map)) out.notes.push_back(std::move(note));
  return out;
}

bool fits(const Best& best, const Seen& seen) {
  const std::size_t junctions = best.hypothesis->up.count() + best.hypothesis->down.count();
  return best.clear && seen.any().count() >= kFewest && best.misfit * 3 <= junctions;
}

// At fault are the positions that conduct on no plain part standing right.
Verdict out_of_place(const Seen& seen, const Hypothesis& h, const SocketMap& plainest) {
  const SocketMap& map = *h.map;
  const auto extra = positions_of(seen.any() & ~plainest.signals);
  switch (h.seating) {
    case Seating::turned:
      return finding(map, h.seating, extra, "the chip is turned by 180 degrees: pin 1 of the chip belongs on pin 1 of the socket");
    case Seating::shifted_down:
      return finding(map, h.seating, extra, "the chip sits one pin too low: its pin 1 stands on pin 2 of the socket; reseat it");
    case Seating::shifted_up:
      return finding(map, h.seating, extra, "the chip sits one pin too high: its pin 2 stands on pin 1 of the socket; reseat it");
    default:
      return finding(map, Seating::open_pins, h.supply_open,
                     fmt::format("the signals touch, the supply does not: clean {}, reseat the chip", names_of(map, h.supply_open)));
  }
}

// A tie from one side of the package to the position right across is no solder bridge: it is how the two VCC pins of a chip
// lie, and its two ground pins. Where nothing conducts they stand on no rail, so the chip is two pins or more out of place.
std::vector<unsigned> ties_across(const Seen& seen) {
  PositionSet out;
  for (const PositionSet& net : seen.nets)
    for (unsigned p = 1; p <= kLastOfSide; ++p)
      if (net[p] && net[kPositions + 1 - p]) out.set(p).set(kPositions + 1 - p);
  return positions_of(out);
}

// A verdict, and the place of the chip that it takes for true.
struct Judged {
  Verdict verdict;
  const Hypothesis* place;
};

Judged judged(const Readings& readings, const Seen& seen, const std::vector<Hypothesis>& all, bool map_given) {
  const Hypothesis& plain = all.front();
  const SocketMap& plainest = *plain.map;
  if (seen.rail_short) {
    PositionSet ends;
    for (const PositionSet& net : seen.nets)
      if ((net & plain.chip_supply).any() && (net & plain.chip_ground).any()) ends |= net;
    for (unsigned p = 1; p <= kPositions; ++p) ends[p] = ends[p] && is_supply(p);
    const std::vector<unsigned> pins = ends.any() ? positions_of(ends) : std::vector<unsigned>{12, 13, 36, 37};
    Verdict shorted = finding(
        plainest, Seating::supply_short, pins,
        "VCC and VSS are shorted: a bridge at the supply pins, or a dead chip; do not switch on, look at pins 12-13 and 36-37 first");
    if (seen.rail_wavers)
      shorted.notes.emplace_back(
          fmt::format("only one way: {} mV at +100 uA, {} mV at -100 uA: the short comes and goes; a bridge that moves, or debris",
                      readings.rail.plus_mV, readings.rail.minus_mV));
    return {std::move(shorted), &plain};
  }
  if (seen.nothing()) return {finding(plainest, Seating::empty, {}, "nothing touches: no chip, or the lid is not closed"), &plain};
  if (seen.no_junction()) {
    if (const auto across = ties_across(seen); !across.empty())
      return {finding(plainest, Seating::unsure, across,
                      fmt::format("no junction conducts, but positions right across are tied like the supply pins of a chip two pins or "
                                  "more out of place: {}; reseat it",
                                  fmt::join(across, ", "))),
              &plain};
    return {judge_in_place(readings, seen, plain, map_given), &plain};  // only debris, or a board at fault
  }
  if (seen.rail_up && seen.rail_down && seen.any().count() < kFewest)
    return {unsure(plainest, seen,
                   fmt::format("VCC and ground conduct both ways, some {} kohm, and no chip's signals touch: residue in the socket or "
                               "at its supply pins; take the chip out, clean and dry the socket, repeat the check with it empty",
                               readings.rail.plus_mV / 100)),
            &plain};
  const Best best = best_of(all, seen);
  if (best.hypothesis && best.hypothesis->seating == Seating::seated)
    return {judge_in_place(readings, seen, *best.hypothesis, map_given), best.hypothesis};
  if (best.hypothesis && fits(best, seen)) return {out_of_place(seen, *best.hypothesis, plainest), best.hypothesis};
  if (seen.rail_up && plainest.adapter)
    return {finding(plainest, Seating::turned, positions_of(seen.any() & ~plainest.signals),
                    "the supply is the wrong way round: the chip is turned on its adapter, or this is another adapter"),
            &plain};
  return {unsure(plainest, seen,
                 seen.rail_up ? "the supply junction is the wrong way round: take the chip out and compare pin 1 with the socket's mark"
                              : "what conducts fits no place of a chip: reseat it, compare pin 1 with the socket's mark, repeat the check"),
          &plain};
}

Contact contact_at(unsigned p, const Seen& seen, const SocketMap& map, const PositionSet& bridged) {
  if (bridged[p]) return Contact::bridged;
  if (is_supply(p)) {
    if (seen.rail_short) return Contact::tied;
    return !seen.supply_alone[p] ? Contact::held : seen.supply_touches[p] ? Contact::good : Contact::open;
  }
  const bool used = map.signals[p];
  if (seen.tied[p]) return map.may_be_bonded()[p] ? Contact::good : Contact::tied;
  if (!seen.up[p] && !seen.down[p]) return used ? Contact::open : Contact::unused;
  if (!used) return Contact::unexpected;
  return seen.up[p] && seen.down[p] ? Contact::good : Contact::one_way;
}

}  // namespace

std::string_view to_text(Seating seating) {
  switch (seating) {
    case Seating::seated: return "seated";
    case Seating::empty: return "empty";
    case Seating::turned: return "turned";
    case Seating::shifted_up: return "shifted_up";
    case Seating::shifted_down: return "shifted_down";
    case Seating::open_row: return "open_row";
    case Seating::open_pins: return "open_pins";
    case Seating::bridged: return "bridged";
    case Seating::supply_short: return "supply_short";
    case Seating::unsure: break;
  }
  return "unsure";
}

std::string_view to_text(Contact contact) {
  switch (contact) {
    case Contact::unused: return "unused";
    case Contact::good: return "good";
    case Contact::open: return "open";
    case Contact::one_way: return "one_way";
    case Contact::tied: return "tied";
    case Contact::bridged: return "bridged";
    case Contact::unexpected: return "unexpected";
    case Contact::held: break;
  }
  return "held";
}

Verdict judge(const Readings& readings, const SocketMap* map) {
  const Seen seen(readings);
  const auto all = hypotheses(candidates(map));
  Judged done = judged(readings, seen, all, map != nullptr);
  Verdict& out = done.verdict;
  const PositionSet bridged = bridged_beyond(*done.place, seen);
  if (bridged.any() && out.seating != Seating::bridged && out.seating != Seating::supply_short && !seen.no_junction())
    out.notes.emplace_back(fmt::format("tied together, too: {}", names_of(out.map, positions_of(bridged))));
  for (unsigned p = 1; p <= kPositions; ++p) out.contacts[p] = contact_at(p, seen, out.map, bridged);
  return std::move(done.verdict);
}

}  // namespace steadycell::contact
