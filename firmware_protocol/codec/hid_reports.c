#include <string.h>

#include "steadycell/protocol.h"
#include "steadycell/usb.h"

enum { TOKEN_BYTES = 5 };

void scu_put_meter(uint8_t report[SCU_REPORT_BYTES], const scu_meter* meter) {
  memset(report, 0, SCU_REPORT_BYTES);
  report[0] = SCU_REPORT_METER;
  report[1] = meter->flags;
  scp_put_u16(report + 2, meter->socket_mv);
  scp_put_u32(report + 4, meter->sequence);
  scp_put_u64(report + 8, meter->ns);
  memcpy(report + 16, meter->uuid, sizeof meter->uuid);
  scp_put_u32(report + 32, meter->boot_counter);
  scp_put_u16(report + 36, meter->port_mv);
  scp_put_u16(report + 38, meter->socket_ma);
  scp_put_u32(report + 40, (uint32_t)meter->port_ua);
  scp_put_u32(report + 44, meter->heartbeat_token);
  scp_put_u32(report + 48, meter->rails_off_token);
}

bool scu_get_meter(const uint8_t* report, size_t n, scu_meter* meter) {
  if (n < SCU_REPORT_BYTES || report[0] != SCU_REPORT_METER) return false;
  meter->flags = report[1];
  meter->socket_mv = scp_get_u16(report + 2);
  meter->sequence = scp_get_u32(report + 4);
  meter->ns = scp_get_u64(report + 8);
  memcpy(meter->uuid, report + 16, sizeof meter->uuid);
  meter->boot_counter = scp_get_u32(report + 32);
  meter->port_mv = scp_get_u16(report + 36);
  meter->socket_ma = scp_get_u16(report + 38);
  meter->port_ua = (int32_t)scp_get_u32(report + 40);
  meter->heartbeat_token = scp_get_u32(report + 44);
  meter->rails_off_token = scp_get_u32(report + 48);
  return true;
}

void scu_put_token(uint8_t report[SCU_REPORT_BYTES], uint8_t report_id, uint32_t token) {
  memset(report, 0, SCU_REPORT_BYTES);
  report[0] = report_id;
  scp_put_u32(report + 1, token);
}

bool scu_get_token(const uint8_t* report, size_t n, uint8_t* report_id, uint32_t* token) {
  if (n < TOKEN_BYTES || (report[0] != SCU_REPORT_HEARTBEAT && report[0] != SCU_REPORT_RAILS_OFF)) return false;
  *report_id = report[0];
  *token = scp_get_u32(report + 1);
  return true;
}
