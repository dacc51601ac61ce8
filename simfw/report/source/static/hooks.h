/* hooks.h - what the step function asks its surroundings for. Fill these in (see board.c).
 *
 * They are called while an instant is worked on, so they must return at once, must not call
 * fw_step, and must not change the machine.
 */
#ifndef HOOKS_H
#define HOOKS_H

#include <stdbool.h>
#include <stdint.h>

#include "tables.h"

/* The cell voltage as the gauge measures it, in microvolts: one conversion, against the reference
 * of the controller, with the load of the moment. Asked for at each sample of the gauge. */
int32_t fw_hook_measured_uv(void);

/* What a gauge that counts charge has left, in parts per million of its capacity figure: 0 to
 * 1000000. The board keeps the count (see README.md): charge out of the cell takes from it, charge
 * into the cell adds to it. Asked for at each sample of the gauge. */
uint32_t fw_hook_counted_ppm(void);

/* The terminal voltage of the cell in microvolts, for guards that name cell.voltage. */
int32_t fw_hook_cell_uv(void);

/* The charge of the cell in parts per million of full, for guards that name cell.charge. */
uint32_t fw_hook_charge_ppm(void);

/* Whether the receiver of a proximity sensor (FW_ECHO_...) answers now, at the end of a burst. */
bool fw_hook_echo(fw_index sensor);

/* Whether what is measured is at least at a level (FW_REACHED_...) now, when it is judged. */
bool fw_hook_reached(fw_index level);

#if FW_KEPT_COUNT > 0
/* What is kept over a power loss: FW_KEPT_COUNT small numbers. fw_hook_keep is called when one has
 * changed, once the instant is settled, and by the end of power-up; fw_hook_kept gives back at
 * power-up what was kept last, FW_NONE where nothing was, or where it cannot be trusted. A number
 * that a change of the supply spoils while it is written must not come back: write it twice, or
 * with a check. */
void fw_hook_keep(fw_index number, fw_index value);
fw_index fw_hook_kept(fw_index number);
#endif

/* An event was emitted (FW_EV_...). For a log or a test; may do nothing. */
void fw_hook_event(fw_index event);

#endif
