/* CRC-16 with polynomial 0x1021: one byte more. */
#ifndef CRC_H
#define CRC_H

#include <util/crc16.h>

#define crc_add _crc_xmodem_update

#endif
