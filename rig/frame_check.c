/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/frame_check.h"

/* Bit by bit: a board sends some ten thousand bytes a second, and there is no table that
 * could be wrong. */
static uint32_t crc_reflected(uint32_t polynomial, uint32_t crc, const unsigned char bytes[],
                              size_t size)
{
    for (size_t i = 0; i < size; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 1 ? crc >> 1 ^ polynomial : crc >> 1;
    }
    return crc;
}

static uint32_t crc_plain(int width, uint32_t polynomial, uint32_t crc, const unsigned char bytes[],
                          size_t size)
{
    uint32_t top = (uint32_t)1 << (width - 1), mask = (top << 1) - 1;
    for (size_t i = 0; i < size; i++) {
        crc ^= (uint32_t)bytes[i] << (width - 8);
        for (int bit = 0; bit < 8; bit++)
            crc = (crc & top ? crc << 1 ^ polynomial : crc << 1) & mask;
    }
    return crc;
}

static uint32_t sum_of(const unsigned char bytes[], size_t size)
{
    uint32_t sum = 0;
    for (size_t i = 0; i < size; i++)
        sum += bytes[i];
    return sum;
}

uint32_t frame_check_of(enum frame_check check, const unsigned char bytes[], size_t size)
{
    switch (check) {
    case CHECK_SUM8:
        return sum_of(bytes, size) & 0xff;
    case CHECK_SUM16:
        return sum_of(bytes, size) & 0xffff;
    case CHECK_XOR8: {
        unsigned sum = 0;
        for (size_t i = 0; i < size; i++)
            sum ^= bytes[i];
        return sum;
    }
    case CHECK_CRC8:
        return crc_plain(8, 0x07, 0, bytes, size);
    case CHECK_CRC16_CCITT:
        return crc_plain(16, 0x1021, 0xffff, bytes, size);
    case CHECK_CRC16_XMODEM:
        return crc_plain(16, 0x1021, 0, bytes, size);
    case CHECK_CRC16_MODBUS: /* 8005 from its other end */
        return crc_reflected(0xa001, 0xffff, bytes, size);
    case CHECK_CRC32: /* 04C11DB7 from its other end */
        return ~crc_reflected(0xedb88320, 0xffffffff, bytes, size);
    case CHECK_NONE:
    case FRAME_CHECK_COUNT:
        break;
    }
    return 0;
}

static uint32_t expected(const struct rig_frame *frame, const unsigned char bytes[])
{
    size_t from = (size_t)frame->check_from - 1, to = (size_t)frame->check_to;
    return frame_check_of(frame->check, bytes + from, to - from);
}

bool frame_check_holds(const struct rig_frame *frame, const unsigned char bytes[])
{
    int size = frame_check_size(frame->check);
    if (size == 0)
        return true;
    const unsigned char *at = bytes + frame->check_at - 1;
    uint32_t told = 0;
    for (int i = 0; i < size; i++)
        told = told << 8 | at[frame->check_big ? i : size - 1 - i];
    return told == expected(frame, bytes);
}

void frame_check_set(const struct rig_frame *frame, unsigned char bytes[])
{
    int size = frame_check_size(frame->check);
    if (size == 0)
        return;
    uint32_t sum = expected(frame, bytes);
    for (int i = 0; i < size; i++)
        bytes[frame->check_at - 1 + (frame->check_big ? size - 1 - i : i)] =
            (unsigned char)(sum >> (8 * i) & 0xff);
}
