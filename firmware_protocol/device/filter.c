#include "device/parts.h"

/* The grammar of allowed sequences. Everything that is not written here is refused, before the first bus cycle: what a
 * program or erase command would look like need not be known. PROTOCOL.md has the same in words. */

enum output { OUTPUT_NONE, OUTPUT_ID, OUTPUT_PARAMETER, OUTPUT_UNIQUE, OUTPUT_STATUS, OUTPUT_FEATURES, OUTPUT_PAGE };

typedef struct reader {
  const uint8_t* ops;
  uint16_t length, at;
  uint16_t index; /* of the operation at `at` */
} reader;

/* Bytes of the operation at `at`, 0 when it is unknown or cut. */
static uint16_t operation_bytes(const reader* r) {
  static const uint8_t sizes[] = {0, 2, 2, 1, 5, 5, 5, 5};
  const uint8_t op = r->ops[r->at];
  if (op == 0 || op >= sizeof sizes) return 0;
  return r->length - r->at >= sizes[op] ? sizes[op] : 0;
}

static void skip(reader* r) {
  r->at = (uint16_t)(r->at + operation_bytes(r));
  ++r->index;
}

static bool next_is(const reader* r, uint8_t op) { return r->at < r->length && operation_bytes(r) > 0 && r->ops[r->at] == op; }

/* Exactly `count` address cycles; the byte of the last lands in *byte. */
static bool take_addresses(reader* r, uint8_t count, uint8_t* byte) {
  for (uint8_t i = 0; i < count; ++i) {
    if (!next_is(r, SCP_OP_ADDRESS)) return false;
    *byte = r->ops[r->at + 1];
    skip(r);
  }
  return true;
}

static bool take_row(reader* r) {
  if (!next_is(r, SCP_OP_ROW)) return false;
  skip(r);
  return true;
}

static bool take_command(reader* r, uint8_t* opcode) {
  if (!next_is(r, SCP_OP_COMMAND)) return false;
  *opcode = r->ops[r->at + 1];
  skip(r);
  return true;
}

typedef struct grammar {
  uint8_t addressing, column_cycles;
  enum output output;
  bool page;          /* a page read has filled the register */
  bool plane_waiting; /* 00h-32h asks for another 00h-30h */
  bool needs_trust;
} grammar;

/* 00h with a full address, up to its confirm opcode. */
static bool take_large_page_read(grammar* g, reader* r) {
  uint8_t byte = 0, confirm = 0;
  if (!take_addresses(r, g->column_cycles, &byte) || !take_row(r)) return false;
  const reader before = *r;
  if (!take_command(r, &confirm)) return false;
  if (confirm == 0x30) {
    g->page = true;
    g->plane_waiting = false;
    g->output = OUTPUT_PAGE;
    return true;
  }
  if (confirm == 0x32) {
    g->page = false;
    g->plane_waiting = true;
    g->output = OUTPUT_NONE;
    return true;
  }
  *r = before;
  return false;
}

static bool take_small_page_read(grammar* g, reader* r) {
  uint8_t byte = 0;
  if (!take_addresses(r, 1, &byte) || !take_row(r)) return false;
  g->page = true;
  g->output = OUTPUT_PAGE;
  return true;
}

/* The sequence that starts with command `opcode`, already taken; false leaves r at the operation at fault. */
static bool take_sequence(grammar* g, reader* r, uint8_t opcode) {
  uint8_t byte = 0;
  const bool large = g->addressing == SCP_LARGE_PAGE;
  if (g->plane_waiting && opcode != 0x00 && opcode != 0x70) return false;
  switch (opcode) {
    case 0xFF:
      g->output = OUTPUT_NONE;
      g->page = false;
      return true;
    case 0x90:
      g->output = OUTPUT_ID;
      g->page = false;
      return next_is(r, SCP_OP_ADDRESS) && (r->ops[r->at + 1] == 0x00 || r->ops[r->at + 1] == 0x20 || r->ops[r->at + 1] == 0x40) &&
             take_addresses(r, 1, &byte);
    case 0xEC:
      g->output = OUTPUT_PARAMETER;
      g->page = false;
      return next_is(r, SCP_OP_ADDRESS) && (r->ops[r->at + 1] == 0x00 || r->ops[r->at + 1] == 0x40) && take_addresses(r, 1, &byte);
    case 0xED:
      g->output = OUTPUT_UNIQUE;
      g->page = false;
      g->needs_trust = true;
      return next_is(r, SCP_OP_ADDRESS) && r->ops[r->at + 1] == 0x00 && take_addresses(r, 1, &byte);
    case 0xEE:
      g->output = OUTPUT_FEATURES;
      g->page = false;
      g->needs_trust = true;
      return take_addresses(r, 1, &byte);
    case 0x70:
      g->output = OUTPUT_STATUS;
      return true;
    case 0x78:
      g->output = OUTPUT_STATUS;
      g->needs_trust = true;
      return large && take_row(r);
    case 0x00:
      if (!next_is(r, SCP_OP_ADDRESS)) { /* back from status to reading */
        const bool back = g->output == OUTPUT_STATUS && g->page && large;
        g->output = OUTPUT_PAGE;
        return back;
      }
      g->needs_trust = true;
      return large ? take_large_page_read(g, r) : take_small_page_read(g, r);
    case 0x01:
    case 0x50:
      g->needs_trust = true;
      return !large && take_small_page_read(g, r);
    case 0x05: {
      if (!large || !g->page || !take_addresses(r, g->column_cycles, &byte)) return false;
      const reader before = *r;
      if (take_command(r, &byte) && byte == 0xE0) {
        g->output = OUTPUT_PAGE;
        return true;
      }
      *r = before;
      return false;
    }
    case 0x31:
    case 0x3F:
      g->output = OUTPUT_PAGE;
      return large && g->page;
    default:
      return false;
  }
}

static bool is_wait(uint8_t op) { return op == SCP_OP_WAIT_RB || op == SCP_OP_WAIT_STATUS || op == SCP_OP_DELAY; }

static sc_verdict refuse(const reader* r) {
  const sc_verdict verdict = {SCP_REFUSED_SEQUENCE, r->index, false, 0};
  return verdict;
}

static sc_verdict bad(const reader* r) {
  const sc_verdict verdict = {SCP_BAD_REQUEST, r->at, false, 0};
  return verdict;
}

sc_verdict sc_filter(const uint8_t* ops, uint16_t length, uint8_t addressing, uint8_t column_cycles, uint8_t row_cycles,
                     uint32_t max_output) {
  enum { LONGEST_WAIT_US = 10 * 1000 * 1000, LONGEST_DELAY_NS = 1000 * 1000 * 1000 };
  reader r = {ops, length, 0, 0};
  grammar g = {addressing, column_cycles, OUTPUT_NONE, false, false, false};
  uint64_t output_bytes = 0;
  (void)row_cycles; /* ROW makes exactly as many cycles as BUS_SETUP said */
  if (length == 0) return bad(&r);
  while (r.at < r.length) {
    if (operation_bytes(&r) == 0) return bad(&r);
    const uint8_t op = r.ops[r.at];
    if (op == SCP_OP_COMMAND) {
      const reader first = r;
      uint8_t opcode = 0;
      (void)take_command(&r, &opcode);
      if (!take_sequence(&g, &r, opcode)) {
        /* An operation that is cut or unknown is malformed rather than forbidden. */
        if (r.at < r.length && operation_bytes(&r) == 0) return bad(&r);
        return refuse(r.index > first.index + 1u ? &r : &first);
      }
    } else if (op == SCP_OP_READ) {
      const uint32_t n = scp_get_u32(r.ops + r.at + 1);
      if (g.output == OUTPUT_NONE || g.plane_waiting) return refuse(&r);
      if (n == 0) return bad(&r);
      output_bytes += n;
      if (output_bytes > max_output) return bad(&r);
      skip(&r);
    } else if (is_wait(op)) {
      const uint32_t limit = scp_get_u32(r.ops + r.at + 1);
      if (limit > (op == SCP_OP_DELAY ? (uint32_t)LONGEST_DELAY_NS : (uint32_t)LONGEST_WAIT_US)) return bad(&r);
      /* Status polling ends with 00h, which only means "back to reading" behind a page read. */
      if (op == SCP_OP_WAIT_STATUS && (g.output != OUTPUT_PAGE || addressing != SCP_LARGE_PAGE)) return refuse(&r);
      skip(&r);
    } else {
      return refuse(&r); /* an address with no command in front */
    }
  }
  if (g.plane_waiting) return refuse(&r);
  const sc_verdict verdict = {SCP_OK, 0, g.needs_trust, (uint32_t)output_bytes};
  return verdict;
}
