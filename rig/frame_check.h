/* SPDX-License-Identifier: GPL-3.0-or-later
 * Sums and CRCs of binary frames. Pure.
 *
 * CRC: width, polynomial, start, reflected in and out, final exclusive or:
 *   crc8          8  07        00        no   00         (as in SMBus packets)
 *   crc16-ccitt   16 1021      FFFF      no   0000
 *   crc16-xmodem  16 1021      0000      no   0000
 *   crc16-modbus  16 8005      FFFF      yes  0000       (MODBUS over Serial Line V1.02, 2.5.1.2)
 *   crc32         32 04C11DB7  FFFFFFFF  yes  FFFFFFFF   (IEEE 802.3)
 * Parametric model: R. N. Williams, A Painless Guide to CRC Error Detection Algorithms, 1993.
 * Parameters and check values from memory, but for MODBUS and IEEE 802.3. */
#ifndef RIG_FRAME_CHECK_H
#define RIG_FRAME_CHECK_H

#include "motion/rigfile.h"

#include <stddef.h>
#include <stdint.h>

/* Of bytes[0..size); frame_check_size(check) bytes of it count. 0 for CHECK_NONE. */
uint32_t frame_check_of(enum frame_check check, const unsigned char bytes[], size_t size);

/* What the frame says that its check is, and what it should be, are the same. */
bool frame_check_holds(const struct rig_frame *frame, const unsigned char bytes[]);
/* Puts the check where it belongs. */
void frame_check_set(const struct rig_frame *frame, unsigned char bytes[]);

#endif
