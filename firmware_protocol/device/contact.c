#include "device/parts.h"

enum { BYTES_PER_POSITION = 5, PACKAGE_PINS = 48, PATTERNS = 6, FORCE_UA = 100, COMPLIANCE_MV = 1500 };
enum { VCC_1 = 12, GROUND_1 = 13, GROUND_2 = 36, VCC_2 = 37 };

void sc_contact_measure(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  (void)n;
  uint16_t status = SCP_OK, detail = 0;
  if (p[0] < 1 || p[0] > SCP_CONTACT_RAIL) {
    status = SCP_BAD_REQUEST;
  } else if (p[1] < 1 || p[1] > SCP_CONTACT_RAIL - p[0] + 1) {
    status = SCP_BAD_REQUEST;
    detail = 1;
  } else if (sc_is_measuring(core)) {
    status = SCP_BUSY;
  } else if (!sc_rail_is_bled(core, SCP_RAIL_SOCKET) || !sc_rail_is_bled(core, SCP_RAIL_PORT)) {
    status = SCP_REFUSED_RAIL; /* the test current means nothing on a live rail, and could harm */
  }
  if (status != SCP_OK) {
    sc_answer(core, SCP_CONTACT_MEASURE, request_id, status, detail, NULL, 0);
    return;
  }
  sc_contact* c = &core->contact;
  c->running = true;
  c->request_id = request_id;
  c->first = p[0];
  c->count = p[1];
  c->next = 0;
  c->pattern = 0;
  c->suspect = 1;
  for (unsigned at = 0; at <= PACKAGE_PINS; ++at) c->received[at] = c->tied_to[at] = 0;
}

static uint64_t bit(unsigned position) { return 1ull << (position - 1); }

/* Its number in the counting patterns, which is also the position that stands for its net: a chip ties its own VCC pins
 * together and its own ground pins, and so may the board. */
static uint8_t number_of(unsigned position) {
  if (position == VCC_2) return VCC_1;
  if (position == GROUND_2) return GROUND_1;
  return (uint8_t)position;
}

/* Counting patterns after Kautz (IEEE Trans. Computers C-23 (1974) 358, from memory): n nets with different numbers need
 * ceil(log2(n + 2)) patterns to show any tie, here 6 for 46. Tied positions read back the AND of their numbers. */
static void run_pattern(sc_core* core) {
  sc_contact* c = &core->contact;
  uint64_t low = 0;
  for (unsigned p = 1; p <= PACKAGE_PINS; ++p)
    if (((number_of(p) >> c->pattern) & 1) == 0) low |= bit(p);
  const uint64_t read_low = core->hal->contact_low(core->hal->self, low);
  for (unsigned p = 1; p <= PACKAGE_PINS; ++p)
    if ((read_low & bit(p)) == 0) c->received[p] = (uint8_t)(c->received[p] | 1u << c->pattern);
  ++c->pattern;
}

/* The pin of a supply that stands for it in a net: the one that lies beside `others` of the net, else the lower. */
static uint64_t pin_beside(uint64_t others, unsigned lower, unsigned beside_lower, unsigned upper, unsigned beside_upper) {
  const bool at_upper = (others & bit(beside_upper)) != 0 && (others & bit(beside_lower)) == 0;
  return bit(at_upper ? upper : lower);
}

/* A net as it is told: a supply by one of its pins; both supplies by all four, for 12-13 and 36-37 look alike. */
static uint64_t named(uint64_t net) {
  const uint64_t vcc = bit(VCC_1) | bit(VCC_2), ground = bit(GROUND_1) | bit(GROUND_2);
  const bool has_vcc = (net & vcc) != 0, has_ground = (net & ground) != 0;
  if (has_vcc && has_ground) return net | vcc | ground;
  const uint64_t others = net & ~vcc & ~ground;
  if (has_vcc) return others | pin_beside(others, VCC_1, VCC_1 - 1, VCC_2, VCC_2 + 1);
  if (has_ground) return others | pin_beside(others, GROUND_1, GROUND_1 + 1, GROUND_2, GROUND_2 - 1);
  return others;
}

/* Holds low the next position that did not read back its number and is in no net yet. False: there is none. */
static bool look_at_suspect(sc_core* core) {
  sc_contact* c = &core->contact;
  for (; c->suspect <= PACKAGE_PINS; ++c->suspect) {
    const uint8_t suspect = c->suspect;
    if (number_of(suspect) != suspect || c->received[suspect] == suspect || c->tied_to[suspect] != 0) continue;
    uint64_t low = 0;
    for (unsigned p = 1; p <= PACKAGE_PINS; ++p)
      if (number_of(p) == suspect) low |= bit(p);
    const uint64_t net = named(core->hal->contact_low(core->hal->self, low));
    uint8_t first = 0, last = 0;
    for (unsigned p = 1; p <= PACKAGE_PINS; ++p) {
      if ((net & bit(p)) == 0) continue;
      if (first == 0) first = (uint8_t)p;
      if (last != 0) c->tied_to[last] = (uint8_t)p;
      last = (uint8_t)p;
    }
    if (last != first) c->tied_to[last] = first;
    ++c->suspect;
    return true;
  }
  return false;
}

static uint16_t force(const sc_core* core, uint8_t position, int16_t microamps) {
  int32_t mv = core->hal->contact_force(core->hal->self, position, microamps);
  if (mv > COMPLIANCE_MV) mv = COMPLIANCE_MV;
  if (mv < -COMPLIANCE_MV) mv = -COMPLIANCE_MV;
  return (uint16_t)mv;
}

/* One pattern or position a step, so that heartbeat and abort are served in between. */
void sc_contact_step(sc_core* core) {
  sc_contact* c = &core->contact;
  if (c->pattern < PATTERNS) {
    run_pattern(core);
    return;
  }
  if (look_at_suspect(core)) return;
  const uint8_t position = (uint8_t)(c->first + c->next);
  uint8_t* at = c->results + (size_t)c->next * BYTES_PER_POSITION;
  scp_put_u16(at, force(core, position, FORCE_UA));
  scp_put_u16(at + 2, force(core, position, -FORCE_UA));
  at[4] = position <= PACKAGE_PINS ? c->tied_to[position] : 0;
  if (++c->next < c->count) return;

  uint8_t extra[2 + sizeof c->results];
  extra[0] = c->first;
  extra[1] = c->count;
  const uint32_t bytes = (uint32_t)c->count * BYTES_PER_POSITION;
  for (uint32_t i = 0; i < bytes; ++i) extra[2 + i] = c->results[i];
  c->running = false;
  sc_answer(core, SCP_CONTACT_MEASURE, c->request_id, SCP_OK, 0, extra, 2 + bytes);
}
