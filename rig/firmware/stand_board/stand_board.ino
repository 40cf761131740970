/*
 * The board of Marram's motor stand: an ATmega328P at 16 MHz that speaks the line protocol.
 *
 * It reads current, voltage and three temperatures, times the tachometer's edges, drives the
 * controller's throttle, and holds the drive off unless a host keeps telling it to run.
 * Read firmware_protocol.md first: the names here are the names there.
 *
 * One file, three ways to build it, all without change:
 *     as a sketch in the Arduino IDE;
 *     avr-gcc -x c   -std=gnu99   -mmcu=atmega328p -DF_CPU=16000000UL -Os stand_board.ino
 *     avr-gcc -x c++ -std=gnu++11 -mmcu=atmega328p -DF_CPU=16000000UL -Os stand_board.ino
 *
 * Pins, by their names on the chip and on an Uno or Nano:
 *
 *     PC0 A0   current       the shunt's amplifier
 *     PC1 A1   voltage       the pack's divider
 *     PC2 A2   temperature   motor
 *     PC3 A3   temperature   controller
 *     PC4 A4   temperature   cells
 *     PB0 D8   tachometer    rising edges
 *     PB1 D9   throttle      servo pulses to the controller
 *     PD4 D4   drive         high: the drive may run. A pull-down holds it low in reset
 *     PD0 PD1  serial        to the USB adapter
 *
 * Try it with the propeller off.
 */

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <errno.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <util/atomic.h>
#include <util/crc16.h>

/* ---- Settings. Those in #ifndef can also be given to the compiler, such as -DBAUD=250000. */

#ifndef BAUD
#define BAUD 115200UL /* 115200, 250000, 500000 or 1000000 */
#endif
#ifndef LINE_HZ
#define LINE_HZ 100 /* data lines per second, 31 to 500 */
#endif

#define BOARD "marram bench"
#define FIRMWARE "1.0"

#define CHANNELS 5 /* channel 0 is read at A0, channel 1 at A1, and so on */
#ifndef CONVERSIONS
#define CONVERSIONS 16 /* summed for one data line */
#endif

/* Quantity, label, and what the channel can do: its line's fields. */
static const char ABOUT[CHANNELS][24] PROGMEM = {
    "current,shunt", "voltage,pack", "temperature,motor", "temperature,controller",
    "temperature,cells"};
#define SHUNT 0 /* the one channel that can be zeroed */

#define IDLE_US 1000 /* length of the throttle pulse at 0 ... */
#define FULL_US 2000 /* ... and at 1000 thousandths */
#define PULSE_EVERY_US 20000

#define SOONEST_EDGE_US 200 /* an edge sooner than this after the last is none */

/* Where the counters start. Others than 0 are for tests of what happens when they wrap. */
#ifndef START_SEQUENCE
#define START_SEQUENCE 0
#endif
#ifndef START_TICK
#define START_TICK 0UL
#endif
#ifndef START_EDGES
#define START_EDGES 0
#endif

/* ---- What follows from the settings, and from the protocol. */

#define TICK_HZ 2000000UL /* timer 1 counts half microseconds */
#define TICKS_PER_MS (TICK_HZ / 1000)
#define TICKS(us) ((us) * 2UL)
#define LINE_TICKS (TICK_HZ / LINE_HZ)
#define SILENCE_TICKS (500 * TICKS_PER_MS)    /* without a line from the host: cut */
#define RATE_TICKS (100 * TICKS_PER_MS)       /* edges per second are measured over this */
#define STANDSTILL_TICKS (500 * TICKS_PER_MS) /* without an edge: 0 edges per second */

#define FULL_SCALE 1024
#define LONGEST_LINE 120
#define EDGES CHANNELS /* the place of the edges' limit, after those of the channels */

/* Up to 9615 conversions a second the converter is at its best; twice as many cost a little
 * accuracy. For more lines a second sum fewer conversions. */
#if LINE_HZ * CHANNELS * CONVERSIONS <= 8700
#define CONVERTER_CLOCK (_BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0)) /* 125 kHz */
#elif LINE_HZ * CHANNELS * CONVERSIONS <= 17400
#define CONVERTER_CLOCK (_BV(ADPS2) | _BV(ADPS1)) /* 250 kHz */
#else
#error "too many conversions a second: lower LINE_HZ or CONVERSIONS"
#endif

#if LINE_HZ < 31 || LINE_HZ > 500 || CONVERSIONS > 64
#error "LINE_HZ must be 31 to 500, and CONVERSIONS at most 64"
#endif

enum { ARMED = 1, CUT = 2, LIMIT = 4, HEARTBEAT = 8, WATCHDOG = 16, REJECTED = 32 };

static uint16_t boot, sequence = START_SEQUENCE, status = CUT;
static uint32_t heard; /* the clock when the host last spoke */

/* ---- The clock: timer 1, made 32 bits long. Its interrupt may be late by a few microseconds,
 * so whoever reads the timer looks for a turn that is not yet counted. */

static volatile uint16_t turns = START_TICK >> 16;

ISR(TIMER1_OVF_vect) { turns++; }

/* The whole clock for a reading of the timer, with interrupts off. */
static uint32_t whole_tick(uint16_t timer) {
    uint16_t high = turns;
    if ((TIFR1 & _BV(TOV1)) && timer < 0x8000) high++;
    return (uint32_t)high << 16 | timer;
}

static uint32_t now(void) {
    uint32_t tick;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { tick = whole_tick(TCNT1); }
    return tick;
}

/* ---- The tachometer: the timer itself keeps the moment of an edge. */

static volatile uint16_t edges = START_EDGES;
static volatile uint32_t edge_tick;
static bool edge_seen;

ISR(TIMER1_CAPT_vect) {
    uint32_t tick = whole_tick(ICR1);
    if (edge_seen && tick - edge_tick < TICKS(SOONEST_EDGE_US)) return;
    edge_seen = true;
    edges++;
    edge_tick = tick;
}

/* ---- The throttle: the timer itself changes the pin; we tell it when the next time is. */

static volatile uint16_t pulse = TICKS(IDLE_US);

ISR(TIMER1_COMPA_vect) {
    static uint16_t length;
    if (TCCR1A & _BV(COM1A0)) { /* it has just risen */
        TCCR1A = _BV(COM1A1);   /* next it falls */
        length = pulse;
        OCR1A += length;
    } else {
        TCCR1A = _BV(COM1A1) | _BV(COM1A0);
        OCR1A += TICKS(PULSE_EVERY_US) - length;
    }
}

static void throttle(uint16_t permille) {
    uint16_t ticks = TICKS(IDLE_US) + permille * TICKS(FULL_US - IDLE_US) / 1000;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { pulse = ticks; }
}

/* ---- The drive's own pin. `halted` is set by a stop and stays until all that the host said
 * before it has been read, so that no older command can undo the stop. */

static volatile bool halted;

static void drive_off(void) {
    PORTD &= ~_BV(PD4);
    pulse = TICKS(IDLE_US);
}

/* ---- The converter: at every line's time one sweep over all channels, sixteen times. */

static uint16_t sums[CHANNELS];            /* of the sweep under way */
static volatile uint16_t swept_sums[CHANNELS]; /* of the last whole one */
static volatile uint32_t swept_tick;
static volatile bool swept; /* it waits to be sent */
static volatile uint8_t missed; /* sweeps that were not made, or not sent before the next */
static uint8_t channel, rounds;

static void convert(void) {
    ADMUX = _BV(REFS0) | channel; /* against the 5 V supply */
    ADCSRA |= _BV(ADSC);
}

ISR(TIMER1_COMPB_vect) {
    OCR1B += LINE_TICKS;
    if (rounds) {
        missed++;
        return;
    }
    for (uint8_t i = 0; i < CHANNELS; i++) sums[i] = 0;
    rounds = CONVERSIONS;
    channel = 0;
    convert();
}

ISR(ADC_vect) {
    sums[channel] += ADC; /* read it before the channel is changed */
    if (++channel == CHANNELS) {
        channel = 0;
        if (--rounds == 0) {
            if (swept) missed++;
            for (uint8_t i = 0; i < CHANNELS; i++) swept_sums[i] = sums[i];
            swept_tick = whole_tick(TCNT1);
            swept = true;
            return;
        }
    }
    convert();
}

/* ---- Sending. A line is written into the ring byte by byte, and shown to the interrupt as a
 * whole: `out_end` is how far it may send, `out_next` where we write. */

#define OUT_SIZE 512 /* a power of two */
#define OUT_KEPT 128 /* room that data lines leave to answers */
#define LONGEST_SAID (60 + 6 * CHANNELS) /* no line of ours is longer, its line feed included */

static char out[OUT_SIZE];
static volatile uint16_t out_start, out_end;
static uint16_t out_next, out_crc;

ISR(USART_UDRE_vect) {
    UDR0 = out[out_start];
    out_start = (out_start + 1) % OUT_SIZE;
    if (out_start == out_end) UCSR0B &= ~_BV(UDRIE0);
}

static uint16_t out_room(void) {
    uint16_t start;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { start = out_start; }
    return (start - out_next - 1) % OUT_SIZE;
}

static void put(char c) {
    out[out_next] = c;
    out_next = (out_next + 1) % OUT_SIZE;
    out_crc = _crc_xmodem_update(out_crc, (uint8_t)c);
}

static void put_text(const char *text) {
    while (*text) put(*text++);
}

/* The same for a text in flash. */
static void put_flash(const char *text) {
    char c;
    while ((c = pgm_read_byte(text++))) put(c);
}

static void put_number(int32_t value) {
    char digits[12];
    put(',');
    put_text(ltoa(value, digits, 10));
}

static void put_tick(uint32_t value) {
    char digits[12];
    put(',');
    put_text(ultoa(value, digits, 10));
}

/* A line begins. It is not to be lost: where there is no room, wait for it. */
static void begin(char letter) {
    while (out_room() < LONGEST_SAID) {
    }
    out_crc = 0xFFFF;
    put(letter);
}

/* The line ends: checksum, line feed, and off it goes. */
static void end(void) {
    uint16_t crc = out_crc;
    put('*');
    for (int8_t shift = 12; shift >= 0; shift -= 4) {
        uint8_t digit = crc >> shift & 15;
        put(digit < 10 ? '0' + digit : 'A' - 10 + digit);
    }
    put('\n');
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { /* also sees to it that all bytes are stored first */
        out_end = out_next;
        UCSR0B |= _BV(UDRIE0);
    }
}

/* ---- Receiving. The interrupt keeps the bytes for the loop, and itself obeys the bare word. */

#define IN_SIZE 128 /* a power of two */
#define NOT_STOP 5

static volatile char in[IN_SIZE];
static volatile uint8_t in_start, in_end;

static bool is_blank(char c) { return c == ' ' || c == '\t' || c == '\r'; }

static void watch_for_stop(char c) {
    static uint8_t matched; /* how many letters of the word this line has shown */
    if (c == '\n') {
        if (matched == 4) {
            drive_off();
            halted = true;
        }
        matched = 0;
    } else if (is_blank(c)) {
        if (matched > 0 && matched < 4) matched = NOT_STOP;
    } else if (matched < 4 && (c | 32) == "stop"[matched]) {
        matched++;
    } else {
        matched = NOT_STOP;
    }
}

ISR(USART_RX_vect) {
    char c = UDR0;
    uint8_t next = (in_end + 1) % IN_SIZE;
    watch_for_stop(c);
    if (next == in_start) return; /* full: the byte is lost, and the checksum will tell */
    in[in_end] = c;
    in_end = next;
}

/* ---- Cutting. */

static void begin_cut(const char *cause) {
    begin('X');
    put_tick(now());
    put(',');
    put_flash(cause);
    put(',');
}

/* Take the drive away, and say so if there was one. `why` is the status bit. */
static void cut(const char *cause, uint16_t why, char where) {
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { drive_off(); }
    if (!(status & ARMED)) return;
    status = CUT | why | (status & REJECTED);
    begin_cut(cause);
    put(where);
    end();
}

/* ---- Limits: one for each channel, and the last for the edges per second. */

struct limit {
    int32_t low, high;
    uint16_t hold_ms;
    bool beyond;    /* at the last reading */
    uint32_t since; /* the clock when it first was */
};

static struct limit limits[CHANNELS + 1];
static int32_t newest[CHANNELS], zeros[CHANNELS];

static int32_t edges_per_s;
static uint16_t rate_edges; /* edges and clock at the beginning of the measurement */
static uint32_t rate_tick;

static void forget_readings(void) {
    for (uint8_t i = 0; i <= EDGES; i++) limits[i].beyond = false;
    edges_per_s = 0;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        rate_edges = edges;
        rate_tick = edge_tick;
    }
}

static void time_edges(uint32_t tick, uint16_t count, uint32_t last) {
    uint32_t took = last - rate_tick;
    if (tick - last >= STANDSTILL_TICKS) {
        edges_per_s = 0;
    } else if (took >= RATE_TICKS) {
        /* Both sides divided by a hundred, to stay within 32 bits. */
        edges_per_s = (uint16_t)(count - rate_edges) * (TICK_HZ / 100) / (took / 100);
        rate_edges = count;
        rate_tick = last;
    }
}

static void judge(uint32_t tick) {
    for (uint8_t i = 0; i <= EDGES; i++) {
        struct limit *limit = &limits[i];
        int32_t reading = i == EDGES ? edges_per_s : newest[i];
        if (reading >= limit->low && reading <= limit->high) {
            limit->beyond = false;
            continue;
        }
        if (!limit->beyond) {
            limit->beyond = true;
            limit->since = tick;
        }
        if (limit->hold_ms == 0 || tick - limit->since > limit->hold_ms * TICKS_PER_MS) {
            cut(PSTR("limit"), LIMIT, i == EDGES ? 'e' : '0' + i);
            return;
        }
    }
}

/* ---- What the board says. */

static void say_channel(uint8_t i) {
    begin('C');
    put_number(i);
    put(',');
    put_flash(ABOUT[i]);
    put_number(FULL_SCALE);
    put_number(CONVERSIONS);
    put_flash(i == SHUNT ? PSTR(",LZ") : PSTR(",L"));
    put_number(zeros[i]);
    end();
}

static bool introduced;
static void data(void);

static void introduce(void) {
    begin('H');
    put_flash(PSTR(",1," BOARD "," FIRMWARE));
    put_number(boot);
    put_number(TICK_HZ);
    put_number(LINE_HZ);
    put_flash(PSTR(",LSTZ"));
    put_number(CHANNELS);
    end();
    for (uint8_t i = 0; i < CHANNELS; i++) {
        if (swept && introduced) data(); /* all this takes longer than a line may wait */
        say_channel(i);
    }
    introduced = true;
}

/* A sweep is done: send it, then see what it means. */
static void data(void) {
    uint32_t tick, last;
    uint16_t count;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        tick = swept_tick;
        count = edges;
        last = edge_tick;
        for (uint8_t i = 0; i < CHANNELS; i++) newest[i] = swept_sums[i] - zeros[i];
        sequence += missed; /* the host is to see a gap for each */
        missed = 0;
        swept = false;
    }
    if (out_room() >= OUT_KEPT + LONGEST_SAID) {
        begin('D');
        put_number(sequence);
        put_tick(tick);
        put_number(count);
        put_tick(last);
        put_number(status);
        for (uint8_t i = 0; i < CHANNELS; i++) put_number(newest[i]);
        end();
        status &= ~REJECTED;
    }
    sequence++; /* counted also when it was dropped, so that the host sees the gap */
    time_edges(tick, count, last);
    if (status & ARMED) judge(tick);
}

/* ---- What the host says. */

/* Whether `text` is a whole number within the bounds; if so it stands in `value`. */
static bool whole(const char *text, int32_t low, int32_t high, int32_t *value) {
    const char *digits = text + (*text == '-');
    if (*digits == 0 || digits[strspn_P(digits, PSTR("0123456789"))] != 0) return false;
    errno = 0;
    *value = strtol(text, NULL, 10);
    return errno == 0 && *value >= low && *value <= high;
}

/* A limit's bound: a number, or `-`, which leaves what `none` has put into `value`. */
static bool bound(const char *text, int32_t none, int32_t *value) {
    *value = none;
    return !strcmp(text, "-") || whole(text, INT32_MIN, INT32_MAX, value);
}

static const char *obey_arm(int32_t number) {
    if (number != boot) return PSTR("boot");
    if (status & ARMED) return NULL;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        if (!halted) {
            pulse = TICKS(IDLE_US);
            PORTD |= _BV(PD4);
            status = ARMED | (status & REJECTED);
        }
    }
    if (!(status & ARMED)) return PSTR("state");
    forget_readings();
    return NULL;
}

static const char *obey_limit(char **field) {
    struct limit limit;
    int32_t where = EDGES, hold;
    memset(&limit, 0, sizeof limit);
    if (strcmp(field[0], "e") && !whole(field[0], 0, 15, &where)) return PSTR("fields");
    if (!bound(field[1], INT32_MIN, &limit.low) || !bound(field[2], INT32_MAX, &limit.high) ||
        !whole(field[3], 0, 65535, &hold))
        return PSTR("fields");
    if (where >= CHANNELS && strcmp(field[0], "e")) return PSTR("range");
    limit.hold_ms = hold;
    limits[where] = limit;
    return NULL;
}

static const char *obey_zero(uint8_t which) {
    if (which >= CHANNELS) return PSTR("range");
    if (which != SHUNT) return PSTR("cannot");
    if (status & ARMED) return PSTR("state");
    zeros[which] += newest[which];
    newest[which] = 0;
    say_channel(which);
    return NULL;
}

/* Carry out a command; gives the reason for a refusal, or NULL when it was done.
 * `field` are the `count` fields after the number. */
static const char *obey(const char *word, char **field, uint8_t count) {
    int32_t value;
#ifdef TEST_HANG
    if (!strcmp_P(word, PSTR("hang")))
        for (;;) {
        }
#endif
    if (!strcmp_P(word, PSTR("hello"))) {
        if (count != 0) return PSTR("fields");
        introduce();
        return NULL;
    }
    if (!strcmp_P(word, PSTR("beat"))) return count == 0 ? NULL : PSTR("fields");
    if (!strcmp_P(word, PSTR("stop"))) {
        if (count != 0) return PSTR("fields");
        cut(PSTR("stop"), 0, '-');
        return NULL;
    }
    if (!strcmp_P(word, PSTR("arm"))) {
        if (count != 1 || !whole(field[0], 0, 65535, &value)) return PSTR("fields");
        return obey_arm(value);
    }
    if (!strcmp_P(word, PSTR("throttle"))) {
        if (count != 1 || !whole(field[0], 0, 1000, &value)) return PSTR("fields");
        if (!(status & ARMED)) return PSTR("state");
        throttle(value);
        return NULL;
    }
    if (!strcmp_P(word, PSTR("limit"))) return count == 4 ? obey_limit(field) : PSTR("fields");
    if (!strcmp_P(word, PSTR("zero"))) {
        if (count != 1 || !whole(field[0], 0, 15, &value)) return PSTR("fields");
        return obey_zero(value);
    }
    return PSTR("unknown");
}

/* Take the checksum off a line; false when anything in it is not as it should be. */
static bool unframe(char *line) {
    char *star = strrchr(line, '*'), *tail;
    uint16_t crc = 0xFFFF;
    if (!star || strspn_P(star + 1, PSTR("0123456789ABCDEFabcdef")) != 4 || star[5] != 0)
        return false;
    for (char *c = line; c < star; c++) {
        if (*c < 32 || *c > 126) return false;
        crc = _crc_xmodem_update(crc, (uint8_t)*c);
    }
    *star = 0;
    return crc == strtoul(star + 1, &tail, 16);
}

/* Cut the text at its commas; gives how many fields there are, at most `most`. */
static uint8_t split(char *text, char **field, uint8_t most) {
    uint8_t count = 0;
    while (text && count < most) {
        field[count++] = text;
        text = strchr(text, ',');
        if (text) *text++ = 0;
    }
    return count;
}

static void answer(uint16_t number, const char *reason) {
    begin('A');
    put_number(number);
    put_flash(reason ? PSTR(",no,") : PSTR(",ok"));
    if (reason) put_flash(reason);
    end();
}

/* The interrupt has obeyed this one already. */
static bool is_bare_stop(const char *line) {
    line += strspn_P(line, PSTR(" \t\r"));
    if (strncasecmp_P(line, PSTR("stop"), 4)) return false;
    return line[4 + strspn_P(line + 4, PSTR(" \t\r"))] == 0;
}

static void hear(char *line) {
    char *field[7]; /* word, number, and one more than any command has */
    uint8_t count;
    int32_t number;
    size_t length = strlen(line);
    if (length && line[length - 1] == '\r') line[--length] = 0;
    if (line[strspn_P(line, PSTR(" \t\r"))] == 0 || is_bare_stop(line)) return;
    if (length > LONGEST_LINE || !unframe(line) || (count = split(line, field, 7)) < 2 ||
        !whole(field[1], 0, 65535, &number)) {
        status |= REJECTED;
        return;
    }
    heard = now();
    answer(number, obey(field[0], field + 2, count - 2));
}

/* Put the received bytes together, and hear the line when one is whole. */
static void listen(void) {
    static char line[LONGEST_LINE + 2]; /* a carriage return, and the end */
    static uint8_t length;
    static bool spoilt; /* too long, or with a zero in it */
    while (in_start != in_end) {
        char c = in[in_start];
        in_start = (in_start + 1) % IN_SIZE;
        if (c == '\n') {
            line[length] = 0;
            if (spoilt) status |= REJECTED;
            else hear(line);
            length = 0;
            spoilt = false;
            return;
        }
        if (c == 0 || length > LONGEST_LINE) spoilt = true;
        else line[length++] = c;
    }
}

/* ---- Beginning. */

/* Why we started. Kept where the C start-up code does not clear it. */
static uint8_t reset_cause __attribute__((section(".noinit")));

/* Runs before anything else: after its reset the watchdog is still on, and short. A boot loader
 * may have read and cleared the cause; those I know of then hand it on in register 2. */
void first(void) __attribute__((naked, used, section(".init3")));
void first(void) {
    __asm__ volatile("sts %0, r2" : : "i"(&reset_cause));
    if (MCUSR) reset_cause = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

static void start_timer(void) {
    TIMSK0 = 0; /* the clock of an Arduino sketch is not needed, and would only interrupt */
    TCCR1A = _BV(COM1A1) | _BV(COM1A0);
    TCCR1B = _BV(ICNC1) | _BV(ICES1) | _BV(CS11); /* rising edges, filtered; a tick is 8 clocks */
    TCNT1 = START_TICK & 0xFFFF;
    OCR1A = TCNT1 + TICKS(1000);
    OCR1B = TCNT1 + LINE_TICKS;
    TIFR1 = _BV(ICF1) | _BV(OCF1A) | _BV(OCF1B) | _BV(TOV1); /* forget what came before */
    TIMSK1 = _BV(ICIE1) | _BV(OCIE1A) | _BV(OCIE1B) | _BV(TOIE1);
}

void setup(void) {
    drive_off();
    DDRD |= _BV(PD4);
    DDRB |= _BV(PB1);
    PORTB |= _BV(PB0); /* the tachometer's pull-up */
    wdt_enable(WDTO_120MS);

    boot = eeprom_read_word((uint16_t *)0) + 1;
    eeprom_update_word((uint16_t *)0, boot);
    for (uint8_t i = 0; i <= EDGES; i++) {
        limits[i].low = INT32_MIN;
        limits[i].high = INT32_MAX;
    }

    UCSR0A = _BV(U2X0); /* double speed, which comes nearest to 115200 */
    UBRR0 = (F_CPU / 4 / BAUD - 1) / 2;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
    DIDR0 = (1 << CHANNELS) - 1; /* no digital inputs where voltages are measured */
    ADCSRA = _BV(ADEN) | _BV(ADIE) | CONVERTER_CLOCK;
    start_timer();
    sei();

    introduce();
    if (reset_cause & _BV(WDRF)) {
        status |= WATCHDOG;
        begin_cut(PSTR("watchdog"));
        put('-');
        end();
    }
}

void loop(void) {
    wdt_reset();
    if (halted) {
        cut(PSTR("stop"), 0, '-');
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
            if (in_start == in_end) halted = false;
        }
    }
    listen();
    if (swept) data();
    if ((status & ARMED) && now() - heard >= SILENCE_TICKS) cut(PSTR("heartbeat"), HEARTBEAT, '-');

    /* Sleep until the next interrupt. `sei` lets none in before the instruction after it, so
     * that what comes between the question and the sleep still wakes us. */
    cli();
    if (in_start == in_end && !swept && !halted) {
        sleep_enable();
        sei();
        sleep_cpu();
        sleep_disable();
    }
    sei();
}

#ifndef ARDUINO
int main(void) {
    setup();
    for (;;) loop();
}
#endif
