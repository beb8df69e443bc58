#include "hello.h"

#include "frames.h"

enum { FORMAT = 1, PACKED_12_BIT = 1 };

uint8_t hello_build(uint8_t *frame, const struct hello *hello)
{
    uint8_t *at = frame;
    *at++ = HELLO;
    *at++ = FORMAT;
    *at++ = hello->answers;
    *at++ = hello->status;
    *at++ = hello->state;
    *at++ = hello->channels;
    *at++ = PACKED_12_BIT;
    at = put_u16(at, hello->frame_samples);
    at = put_u32(at, 0);
    at = put_u32(at, hello->highest_code);
    at = put_u32(at, hello->clock_hz);
    at = put_u32(at, hello->conversion_clocks * hello->channels);
    at = put_u32(at, hello->highest_hz);
    for (uint8_t channel = 0; channel < hello->channels; channel++) {
        at = put_u32(at, channel * hello->conversion_clocks * 1000u / (hello->clock_hz / 1000000u));
        at = put_u32(at, hello->nanovolts_a_code);
        at = put_u32(at, 0);
    }
    for (const char *letter = hello->title; *letter; letter++)
        *at++ = (uint8_t)*letter;
    return (uint8_t)(at - frame);
}
