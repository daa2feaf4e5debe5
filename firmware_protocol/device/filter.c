#include "device/filter.h"

enum opcode {
  READ_FIRST_HALF = 0x00, /* large page: read; also back from status to reading */
  READ_SECOND_HALF = 0x01,
  READ_SPARE = 0x50,
  READ_CONFIRM = 0x30,
  READ_NEXT_PLANE = 0x32,
  CACHE_READ = 0x31,
  CACHE_READ_END = 0x3F,
  CHANGE_COLUMN = 0x05,
  CHANGE_COLUMN_CONFIRM = 0xE0,
  READ_STATUS = 0x70,
  READ_STATUS_ENHANCED = 0x78,
  READ_ID = 0x90,
  READ_PARAMETER_PAGE = 0xEC,
  READ_UNIQUE_ID = 0xED,
  GET_FEATURES = 0xEE,
  RESET = 0xFF
};

enum output { NO_OUTPUT, SIDE_OUTPUT, PAGE_OUTPUT };

/* What an opcode waits for before anything else may come. */
enum phase { FREE, ONE_ADDRESS, STATUS_ROW, PAGE_ADDRESS, PAGE_CONFIRM, COLUMN, COLUMN_CONFIRM };

typedef struct grammar {
  const sc_bus_shape* shape;
  enum phase phase;
  uint8_t opcode, cycles; /* of the sequence under way */
  enum output output;     /* what READ gives, status aside */
  bool status;            /* status lies on the bus in front of `output` */
  bool busy;              /* started and not waited for */
  bool cache;             /* 31h may follow */
  bool cache_open;        /* 31h has come: 3Fh must, before another read */
  bool plane_open;        /* 00h..32h: another 00h..30h must come */
  bool needs_trust, reads_pages;
} grammar;

uint16_t sc_op_bytes(const uint8_t* ops, uint16_t length, uint16_t at) {
  static const uint8_t sizes[] = {0, 2, 2, 1, 5, 5, 5, 5};
  const uint8_t op = ops[at];
  if (op >= sizeof sizes || length - at < sizes[op]) return 0;
  return sizes[op];
}

static bool is_large(const grammar* g) {
  return g->shape->addressing == SCP_LARGE_PAGE;
}

static void starts(grammar* g, enum output output) {
  g->output = output;
  g->status = false;
  g->busy = true;
}

static bool may_follow_cache_read(uint8_t opcode, bool address_follows) {
  return opcode == CACHE_READ || opcode == CACHE_READ_END || opcode == CHANGE_COLUMN || opcode == READ_STATUS ||
         opcode == RESET || (opcode == READ_FIRST_HALF && !address_follows);
}

static bool take_first_opcode(grammar* g, uint8_t opcode, bool address_follows) {
  if (g->busy && opcode != RESET && opcode != READ_STATUS && opcode != READ_STATUS_ENHANCED) return false;
  if (g->plane_open && opcode != READ_FIRST_HALF && opcode != READ_STATUS && opcode != RESET) return false;
  if (g->cache_open && !may_follow_cache_read(opcode, address_follows)) return false;
  g->opcode = opcode;
  g->cycles = 0;
  switch (opcode) {
    case RESET:
      starts(g, NO_OUTPUT);
      g->cache = g->cache_open = g->plane_open = false;
      return true;
    case READ_STATUS:
      g->status = true;
      return true;
    case READ_STATUS_ENHANCED:
      g->needs_trust = true;
      g->phase = STATUS_ROW;
      return is_large(g);
    case READ_UNIQUE_ID:
    case GET_FEATURES:
      g->needs_trust = true;
      g->phase = ONE_ADDRESS;
      return true;
    case READ_ID:
    case READ_PARAMETER_PAGE:
      g->phase = ONE_ADDRESS;
      return true;
    case READ_FIRST_HALF:
      if (!address_follows) { /* back from status to what lay behind it */
        const bool back = g->status && g->output != NO_OUTPUT && (is_large(g) || g->output == SIDE_OUTPUT);
        g->status = false;
        return back;
      }
      break;
    case READ_SECOND_HALF:
      if (is_large(g) || g->shape->bus_bits == 16) return false; /* x16 reaches both halves by the column */
      break;
    case READ_SPARE:
      if (is_large(g)) return false;
      break;
    case CHANGE_COLUMN:
      g->phase = COLUMN;
      return is_large(g) && g->output == PAGE_OUTPUT;
    case CACHE_READ:
    case CACHE_READ_END:
      if (opcode == CACHE_READ ? !g->cache : !g->cache_open) return false;
      starts(g, PAGE_OUTPUT);
      g->cache = g->cache_open = opcode == CACHE_READ;
      return true;
    default:
      return false;
  }
  g->needs_trust = g->reads_pages = true;
  g->phase = PAGE_ADDRESS;
  return true;
}

static bool take_command(grammar* g, uint8_t opcode, bool address_follows) {
  switch (g->phase) {
    case FREE:
      return take_first_opcode(g, opcode, address_follows);
    case PAGE_CONFIRM:
      if (opcode != READ_CONFIRM && opcode != READ_NEXT_PLANE) return false;
      starts(g, opcode == READ_CONFIRM ? PAGE_OUTPUT : NO_OUTPUT);
      g->cache = opcode == READ_CONFIRM && !g->plane_open;
      g->plane_open = opcode == READ_NEXT_PLANE;
      g->phase = FREE;
      return true;
    case COLUMN_CONFIRM:
      if (opcode != CHANGE_COLUMN_CONFIRM) return false;
      g->status = false;
      g->phase = FREE;
      return true;
    default:
      return false; /* address cycles are missing */
  }
}

static bool side_address_allowed(uint8_t opcode, uint8_t address) {
  switch (opcode) {
    case READ_ID:
      return address == 0x00 || address == 0x20 || address == 0x40;
    case READ_PARAMETER_PAGE:
      return address == 0x00 || address == 0x40;
    case READ_UNIQUE_ID:
      return address == 0x00;
    default:
      return opcode == GET_FEATURES; /* which only reads */
  }
}

/* `count` address cycles: one, or a whole row. */
static bool take_address(grammar* g, uint8_t count, bool is_row, uint8_t byte) {
  const uint8_t columns = g->shape->column_cycles, rows = g->shape->row_cycles;
  const uint8_t row_starts = g->phase == PAGE_ADDRESS ? columns : 0;
  const bool has_row = g->phase == PAGE_ADDRESS || g->phase == STATUS_ROW;
  if (is_row && (!has_row || g->cycles != row_starts)) return false;
  g->cycles = (uint8_t)(g->cycles + count);
  switch (g->phase) {
    case ONE_ADDRESS:
      if (!side_address_allowed(g->opcode, byte)) return false;
      starts(g, SIDE_OUTPUT);
      g->busy = g->opcode != READ_ID;
      g->cache = false;
      g->phase = FREE;
      return true;
    case STATUS_ROW:
      if (g->cycles == rows) {
        g->status = true;
        g->phase = FREE;
      }
      return true;
    case PAGE_ADDRESS:
      if (g->cycles < columns + rows) return true;
      if (is_large(g)) {
        g->phase = PAGE_CONFIRM;
      } else {
        starts(g, PAGE_OUTPUT);
        g->phase = FREE;
      }
      return true;
    case COLUMN:
      if (g->cycles == columns) g->phase = COLUMN_CONFIRM;
      return true;
    default:
      return false;
  }
}

/* Polling ends with 00h when there is something to go back to; on small-page chips that would set the pointer
 * anew. */
static bool take_status_wait(grammar* g) {
  if (!g->busy || (!is_large(g) && g->output == PAGE_OUTPUT)) return false;
  g->busy = g->status = false;
  return true;
}

static bool take_read(const grammar* g) {
  return g->status || (g->output != NO_OUTPUT && !g->busy);
}

static bool take(grammar* g, const uint8_t* op, bool address_follows) {
  if (op[0] != SCP_OP_COMMAND && op[0] != SCP_OP_ADDRESS && op[0] != SCP_OP_ROW && g->phase != FREE) return false;
  switch (op[0]) {
    case SCP_OP_COMMAND:
      return take_command(g, op[1], address_follows);
    case SCP_OP_ADDRESS:
      return take_address(g, 1, false, op[1]);
    case SCP_OP_ROW:
      return take_address(g, g->shape->row_cycles, true, 0);
    case SCP_OP_WAIT_STATUS:
      return take_status_wait(g);
    case SCP_OP_READ:
      return take_read(g);
    default: /* WAIT_RB, DELAY */
      g->busy = false;
      return true;
  }
}

static uint64_t longest_ns(const uint8_t* op) {
  if (op[0] == SCP_OP_DELAY) return scp_get_u32(op + 1);
  if (op[0] == SCP_OP_WAIT_RB || op[0] == SCP_OP_WAIT_STATUS) return scp_get_u32(op + 1) * 1000ull;
  return 0;
}

static sc_verdict fault(uint16_t status, uint16_t detail) {
  const sc_verdict verdict = {status, detail, false, false, 0};
  return verdict;
}

sc_verdict sc_filter(const uint8_t* ops, uint16_t length, const sc_bus_shape* shape, uint32_t max_output) {
  grammar g = {shape, FREE, 0, 0, NO_OUTPUT, false, false, false, false, false, false, false};
  uint64_t output_bytes = 0, waits_ns = 0;
  uint16_t index = 0;
  if (length == 0) return fault(SCP_BAD_REQUEST, 0);
  for (uint16_t at = 0; at < length; ++index) {
    const uint16_t bytes = sc_op_bytes(ops, length, at);
    if (bytes == 0) return fault(SCP_BAD_REQUEST, at);
    const uint16_t next = (uint16_t)(at + bytes);
    const bool address_follows = next < length && (ops[next] == SCP_OP_ADDRESS || ops[next] == SCP_OP_ROW);
    if (!take(&g, ops + at, address_follows)) return fault(SCP_REFUSED_SEQUENCE, index);
    if (ops[at] == SCP_OP_READ) {
      const uint32_t n = scp_get_u32(ops + at + 1);
      output_bytes += n;
      if (n == 0 || output_bytes > max_output || (shape->bus_bits == 16 && n % 2 != 0))
        return fault(SCP_BAD_REQUEST, at);
    }
    waits_ns += longest_ns(ops + at);
    if (waits_ns > SC_LONGEST_WAITS_NS) return fault(SCP_BAD_REQUEST, at);
    at = next;
  }
  if (g.phase != FREE || g.plane_open || g.cache_open) return fault(SCP_REFUSED_SEQUENCE, index);
  const sc_verdict verdict = {SCP_OK, 0, g.needs_trust, g.reads_pages, (uint32_t)output_bytes};
  return verdict;
}
