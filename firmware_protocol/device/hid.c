#include <string.h>

#include "device/parts.h"

#define METER_NS (SCU_METER_INTERVAL_MS * 1000000ull)

static int32_t meter(const sc_core* core, int which) {
  return core->hal->meter(core->hal->self, which);
}

static void make(sc_core* core) {
  sc_hid* hid = &core->hid;
  hid->made_ns = core->hal->now_ns(core->hal->self);
  scu_meter now;
  memset(&now, 0, sizeof now);
  if (core->rails[SCP_RAIL_SOCKET].set_mv != 0) now.flags |= SCU_SOCKET_ON;
  if (core->rails[SCP_RAIL_PORT].set_mv != 0) now.flags |= SCU_PORT_ON;
  if (meter(core, SC_METER_LID_OPEN) != 0) now.flags |= SCU_LID_OPEN;
  if (meter(core, SC_METER_WP_HIGH) != 0) now.flags |= SCU_WP_HIGH;
  if (core->runs_count > 0) now.flags |= SCU_RUNNING;
  if (core->trusted) now.flags |= SCU_TRUSTED;
  memcpy(now.uuid, core->identity.uuid, sizeof now.uuid);
  now.socket_mv = sc_positive_u16(meter(core, SC_METER_SOCKET_MV));
  now.socket_ma = sc_positive_u16(meter(core, SC_METER_SOCKET_MA));
  now.port_mv = sc_positive_u16(meter(core, SC_METER_PORT_MV));
  now.port_ua = meter(core, SC_METER_PORT_UA);
  now.sequence = hid->number++;
  now.boot_counter = core->identity.boot_counter;
  now.heartbeat_token = hid->heartbeat_token;
  now.rails_off_token = hid->rails_off_token;
  now.ns = hid->made_ns;
  scu_put_meter(hid->newest, &now);
  hid->fresh = true;
}

void sc_hid_step(sc_core* core) {
  if (core->hal->now_ns(core->hal->self) - core->hid.made_ns >= METER_NS) make(core);
}

bool sc_core_hid_report(sc_core* core, const uint8_t* report, size_t n) {
  uint8_t id = 0;
  uint32_t token = 0;
  if (!scu_get_token(report, n, &id, &token)) return false;
  core->last_heard_ns = core->hal->now_ns(core->hal->self);
  if (id == SCU_REPORT_HEARTBEAT) {
    core->hid.heartbeat_token = token;
    return true;
  }
  sc_rails_cut(core);
  core->hid.rails_off_token = token;
  make(core); /* the host sees at once that it was heard */
  return true;
}

bool sc_core_hid_take(sc_core* core, uint8_t report[SCU_REPORT_BYTES]) {
  if (!core->hid.fresh) return false;
  core->hid.fresh = false;
  memcpy(report, core->hid.newest, SCU_REPORT_BYTES);
  return true;
}

void sc_core_hid_now(sc_core* core, uint8_t report[SCU_REPORT_BYTES]) {
  make(core);
  (void)sc_core_hid_take(core, report);
}
