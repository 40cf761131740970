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
 *     PC0 A0   current       the shunt's amplifier, through 1 kilohm, 1 microfarad to ground
 *     PC1 A1   voltage       the pack's divider, through 1 kilohm, 1 microfarad to ground
 *     PC2 A2   temperature   motor
 *     PC3 A3   temperature   controller
 *     PC4 A4   temperature   cells
 *     PB0 D8   tachometer    rising edges
 *     PB1 D9   throttle      servo pulses to the controller. 10 kilohm to ground, as in reset
 *                            nothing drives it
 *     PD4 D4   drive         high: the drive may run. 10 kilohm to ground, as in reset nothing
 *                            drives it
 *     PD2 D2   stop input    only with STOP_INPUT 1: a normally closed contact to ground. Open,
 *                            or with a broken wire, it cuts
 *     PD0 PD1  serial        to the USB adapter
 *
 * The filters at A0 and A1 take away what a controller's switching adds (159 Hz corner; a
 * divider's own resistance lowers it). The one at A0 settles
 * within 5 ms, at A1, behind a divider, within 50 ms; they change no mean. The product
 * of a mean voltage and a mean current, with a filter or without, leaves out what their ripple
 * does together: R x (rms of the current's ripple)^2, with R the resistance of pack and leads.
 * For 20 A of square ripple and 20 milliohm that is 8 W too much. Capacitors at the controller
 * make it less: measure on the pack's side of them.
 *
 * The supply's 5 V are the reference of all channels but the last, which is the other way round:
 * it reads the converter's own 1.1 V, so its count falls as the supply rises.
 *
 * Try it with the propeller off.
 */

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <util/atomic.h>
#include <util/crc16.h>

/* ---- Settings. Those in #ifndef can also be given to the compiler, such as -DBAUD=250000. */

#ifndef BAUD
#define BAUD 115200UL /* 250000 is better: exact at 16 MHz. Also 500000 and 1000000 */
#endif
#ifndef LINE_HZ
#define LINE_HZ 100 /* data lines per second, 31 to 500 */
#endif

#define BOARD "marram bench"
#define FIRMWARE "1.0"

#define CHANNELS 6 /* channel 0 is read at A0, channel 1 at A1, and so on; see MUX_OF */
#define FAST 2     /* the first so many are converted in every round, the others take turns */
#ifndef CONVERSIONS
#define CONVERSIONS 16 /* rounds, summed for one data line; a multiple of CHANNELS - FAST */
#endif

/* Quantity and label: fields of the channel's line. */
static const char ABOUT[CHANNELS][24] PROGMEM = {
    "current,shunt", "voltage,pack", "temperature,motor", "temperature,controller",
    "temperature,cells", "reference,supply"};
#define SHUNT 0     /* the one channel that can be zeroed */
#define REFERENCE 5 /* the converter's own 1.1 V */
#define MUX_OF(channel) ((channel) == REFERENCE ? 14 : (channel))

/* Length of the throttle pulse at 0 and at 1000 thousandths.
 * CAUTION: to a controller that is set to forward and reverse 1000 us is FULL REVERSE, and 1500
 * is its idle. Set such a controller to forward only, or IDLE_US to 1500 here. */
#ifndef IDLE_US
#define IDLE_US 1000
#endif
#ifndef FULL_US
#define FULL_US 2000
#endif
#define PULSE_EVERY_US 20000

/* An edge sooner than this after the last is not counted, but reported, and many of them cut. So
 * 1000000 / SOONEST_EDGE_US is the most edges per second: 10000. 50 or more: below, the
 * interrupts of two edges could run together. */
#ifndef SOONEST_EDGE_US
#define SOONEST_EDGE_US 100
#endif
#define MANY_REFUSED 8 /* this many, and more than an eighth of those counted: cut */

/* 1: the stop input is wired. */
#ifndef STOP_INPUT
#define STOP_INPUT 0
#endif
#define OPEN_MS 3 /* so long it must be open without a break: shorter ones are noise */

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
#define SILENCE_TICKS (500 * TICKS_PER_MS) /* without a line from the host: cut */
#define RATE_TICKS (100 * TICKS_PER_MS)    /* edges per second are measured over this */

#define FULL_SCALE 1024
#define LONGEST_LINE 120
#define EDGES CHANNELS /* the place of the edges' limit, after those of the channels */
#define SLOW (CHANNELS - FAST)

#if LINE_HZ < 31 || LINE_HZ > 500
#error "LINE_HZ must be 31 to 500"
#endif
#if CONVERSIONS > 64 || CONVERSIONS % SLOW != 0
#error "CONVERSIONS must be a multiple of CHANNELS - FAST, and at most 64"
#endif
#if SOONEST_EDGE_US < 50 || SOONEST_EDGE_US > 10000
#error "SOONEST_EDGE_US must be 50 to 10000"
#endif
#if IDLE_US < 500 || IDLE_US >= FULL_US || FULL_US > 2500
#error "IDLE_US must be at least 500, and less than FULL_US, which must be at most 2500"
#endif

/* The speed that the part can make, at double speed, which comes nearest. */
#define UBRR_VALUE ((F_CPU / 4 / BAUD - 1) / 2)
#define REAL_BAUD (F_CPU / 8 / (UBRR_VALUE + 1))
#if BAUD < 115200 || BAUD > 1000000
#error "BAUD must be 115200 (a hello is answered in time) to 1000000 (no byte is lost)"
#elif REAL_BAUD * 1000 > BAUD * 1022 || REAL_BAUD * 1000 < BAUD * 978
#error "this crystal does not come within 2.2 percent of BAUD"
#endif
/* The longest data line: 44 bytes, a comma and 6 digits for each fast channel, 5 for each slow.
 * A fifth of the wire is left to answers. */
#define LINE_BYTES (44 + 7 * FAST + 6 * SLOW)
#if LINE_HZ * LINE_BYTES * 10 > BAUD / 10 * 8
#error "so many lines a second do not fit on the wire: raise BAUD or lower LINE_HZ"
#endif

/* A round is FAST + 1 conversions, each 14 clocks of the converter at most when one follows the
 * other, and 60 us for interrupts in between. At 125 kHz the converter is at its best; 250 kHz
 * cost a little accuracy. A line's spare time goes into random delays before each round. */
#define GUARD_TICKS TICKS(50)
#define ROUND_TICKS_AT(clock_us) ((FAST + 1) * 14 * TICKS(clock_us) + TICKS(60))
#if CONVERSIONS * ROUND_TICKS_AT(8) <= LINE_TICKS / 5 * 4
#define CONVERTER_CLOCK (_BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0)) /* 125 kHz */
#define ROUND_TICKS ROUND_TICKS_AT(8)
#elif CONVERSIONS * ROUND_TICKS_AT(4) <= LINE_TICKS / 5 * 4
#define CONVERTER_CLOCK (_BV(ADPS2) | _BV(ADPS1)) /* 250 kHz */
#define ROUND_TICKS ROUND_TICKS_AT(4)
#else
#error "too many conversions a second: lower LINE_HZ or CONVERSIONS"
#endif
#define SPARE_TICKS (LINE_TICKS - CONVERSIONS * ROUND_TICKS - GUARD_TICKS)
/* Delays have units of 2 us. The longest: 0.5 ms, or so long that all delays take 9/10 of the spare
 * time on average. */
#define UNIT TICKS(2)
#define SPARE_UNITS (SPARE_TICKS / UNIT)
#define EVEN_DELAY (SPARE_UNITS * 9 / 5 / (CONVERSIONS + 1))
#define LONGEST_DELAY (EVEN_DELAY > 250 ? 250 : EVEN_DELAY)

enum {
    ARMED = 1,
    CUT = 2,
    LIMIT = 4,
    HEARTBEAT = 8,
    WATCHDOG = 16,
    REJECTED = 32,
    REFUSED = 64, /* edges, since the line before */
    BUTTON = 128,
    FAULT = 256
};
#define OF_ONE_LINE (REJECTED | REFUSED)

static uint16_t boot, sequence = START_SEQUENCE, status = CUT;
static uint32_t heard; /* the clock when the host last spoke */

/* A call from an interrupt costs it, and the byte that waits for it, all registers. */
#define AT_ONCE inline __attribute__((always_inline))

/* ---- The clock: timer 1, made 32 bits long. Its interrupt may be late by a few microseconds,
 * so whoever reads the timer looks for a turn that is not yet counted. */

static volatile uint16_t turns = START_TICK >> 16;

ISR(TIMER1_OVF_vect) {
    turns++;
    sei(); /* a received byte need not wait until all registers are back */
}

/* The whole clock for a reading of the timer, with interrupts off. */
static AT_ONCE uint32_t whole_tick(uint16_t timer) {
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
static volatile uint8_t refused; /* edges that came too soon */

/* No other edge until this one is dealt with, but a received byte cannot wait for so long. */
ISR(TIMER1_CAPT_vect) {
    uint32_t tick = whole_tick(ICR1);
    TIMSK1 &= ~_BV(ICIE1);
    sei();
    if (!edge_seen || tick - edge_tick >= TICKS(SOONEST_EDGE_US)) {
        edge_seen = true;
        edges++;
        edge_tick = tick;
    } else if (refused < UINT8_MAX) {
        refused++;
    }
    cli();
    TIMSK1 |= _BV(ICIE1);
}

/* ---- The throttle: the timer itself changes the pin; we tell it when the next time is. */

static volatile uint16_t pulse = TICKS(IDLE_US);
static uint16_t rise_tick;

ISR(TIMER1_COMPA_vect) {
    if (TCCR1A & _BV(COM1A0)) { /* it has just risen */
        TCCR1A = _BV(COM1A1);   /* next it falls */
        OCR1A = rise_tick + pulse;
    } else {
        TCCR1A = _BV(COM1A1) | _BV(COM1A0);
        OCR1A = rise_tick += TICKS(PULSE_EVERY_US);
    }
    sei(); /* as above: the next time is half a millisecond away */
}

static void throttle(uint16_t permille) {
    uint16_t ticks = TICKS(IDLE_US) + permille * TICKS(FULL_US - IDLE_US) / 1000;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { pulse = ticks; }
}

/* ---- The drive's own pin. `halted` is set by a stop and stays until all that the host said
 * before it has been read, so that no older command can undo the stop. */

static volatile bool halted;

static AT_ONCE void drive_off(void) {
    PORTD &= ~_BV(PD4);
    pulse = TICKS(IDLE_US);
}

/* ---- The stop input: looked at every millisecond. `pressed` stays until the loop has seen it. */

static volatile bool pressed;

#if STOP_INPUT
ISR(TIMER2_COMPA_vect, ISR_NOBLOCK) {
    static uint8_t open_ms;
    if (!(PIND & _BV(PD2))) {
        open_ms = 0;
    } else if (open_ms < OPEN_MS) {
        open_ms++;
    } else {
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { drive_off(); }
        pressed = true;
    }
}
#endif

/* ---- The converter: for every line so many rounds. A round converts one slow channel, whose
 * input has been connected since the round before, and then all fast ones.
 *
 * What a controller's switching adds to the current would be read at always the same moments of
 * its period, and so as a false current, if rounds came evenly. Therefore each waits for a random
 * time, and so does the end of the last one. The first begins so that all this takes one line.
 * The timer itself starts a round: no interrupt moves it, nor the converter's coarser clock.
 *
 * These two interrupts let others in: a byte on the wire can wait for no loop. */

static uint16_t sums[2][CHANNELS];
static uint16_t *volatile filling = sums[0]; /* by the sweep under way */
static volatile uint32_t swept_tick;
static volatile bool swept;                 /* it waits to be sent, and is not touched until then */
static volatile uint8_t missed;             /* sweeps that were dropped meanwhile */
static uint8_t channel = FAST, slow = FAST; /* converted now; the slow one whose turn it is */
static uint8_t rounds = CONVERSIONS;        /* of the sweep under way, still to be begun */
static uint16_t line_tick, round_tick;      /* where the sweep's time begins; the next round's */
static uint16_t chance, noise;              /* the last random number, and what makes it less so */
static uint8_t delays[CONVERSIONS];         /* before each round; drawn again as they are used */
static uint16_t spare = SPARE_UNITS;        /* what those drawn for the next sweep leave */

static uint8_t draw_delay(void) {
    uint8_t delay;
    chance = chance * 25173U + 13849U;
    delay = (chance >> 8) * LONGEST_DELAY >> 8;
    if (delay > spare) return 0;
    spare -= delay;
    return delay;
}

/* All delays of the next sweep are drawn: when its first round is to begin. */
static void begin_sweep(void) {
    uint16_t first = spare + delays[CONVERSIONS - 1];
    spare = SPARE_UNITS;
    chance += noise;
    draw_delay(); /* that of the end */
    rounds = CONVERSIONS;
    line_tick += LINE_TICKS;
    round_tick = line_tick + first * UNIT + (chance >> 8) % UNIT;
}

/* Let the timer start the next round when it is due; soon, if that is past. */
static void await_round(void) {
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { /* the timer's registers share a byte */
        uint16_t soon = TCNT1 + TICKS(20), late = soon - round_tick;
        OCR1B = late < TICKS(5000) ? soon : round_tick;
    }
}

ISR(TIMER1_COMPB_vect, ISR_NOBLOCK) {
    if (!(ADCSRA & _BV(ADATE)) || !(ADCSRA & _BV(ADSC))) {
        await_round(); /* interrupts have held the round before up */
        return;
    }
    ADCSRA &= ~_BV(ADATE);
    if (rounds == CONVERSIONS)
        for (uint8_t i = 0; i < CHANNELS; i++) filling[i] = 0;
    delays[--rounds] = draw_delay();
    if (rounds) round_tick += ROUND_TICKS + delays[rounds - 1] * UNIT;
    else begin_sweep();
    await_round();
}

static void connect(uint8_t which) {
    channel = which;
    ADMUX = _BV(REFS0) | MUX_OF(which); /* against the supply */
}

static void end_sweep(void) {
    if (swept) {
        missed++;
        return;
    }
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { swept_tick = whole_tick(TCNT1); }
    filling = filling == sums[0] ? sums[1] : sums[0];
    swept = true;
}

ISR(ADC_vect, ISR_NOBLOCK) {
    uint16_t count = ADC; /* read it before the channel is changed */
    filling[channel] += count;
    if (channel != FAST - 1) {
        connect(channel >= FAST ? 0 : channel + 1);
        ADCSRA |= _BV(ADSC);
        return;
    }
    if (++slow == CHANNELS) slow = FAST;
    connect(slow);
    if (rounds == CONVERSIONS) { /* the next sweep is planned, so this was the last round */
        noise += count;
        end_sweep();
    }
    ADCSRA |= _BV(ADATE); /* ready for the next round */
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
    uint16_t next = out_start;
    UDR0 = out[next];
    next = (next + 1) % OUT_SIZE;
    if (next == out_end) UCSR0B &= ~_BV(UDRIE0);
    out_start = next;
}

static uint16_t out_room(void) {
    uint16_t start;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { start = out_start; }
    return (uint16_t)(start - out_next - 1) % OUT_SIZE;
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

static const char STOP[] PROGMEM = "stop";

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
    } else if (matched < 4 && (c | 32) == (char)pgm_read_byte(&STOP[matched])) {
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
    status = CUT | why | (status & OF_ONE_LINE);
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
static int32_t newest[CHANNELS], zero; /* of the shunt */

static int32_t edges_per_s;
static uint16_t rate_edges; /* edges and clock at the beginning of the measurement, ... */
static uint32_t rate_tick;
static uint16_t rate_refused; /* ... and how many edges it has refused */

static void forget_readings(void) {
    for (uint8_t i = 0; i <= EDGES; i++) limits[i].beyond = false;
    edges_per_s = 0;
    rate_refused = 0;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        rate_edges = edges;
        rate_tick = edge_tick;
    }
}

/* The last edge may have come after the line's tick: hence the signs. */
static void time_edges(uint32_t tick, uint16_t count, uint32_t last) {
    uint32_t took = last - rate_tick;
    int32_t since = tick - last;
    if (took >= RATE_TICKS) {
        /* Both sides divided by a hundred, to stay within 32 bits. */
        edges_per_s = (uint16_t)(count - rate_edges) * (TICK_HZ / 100) / (took / 100);
        rate_edges = count;
        rate_tick = last;
        rate_refused = 0;
    }
    /* No edge for so long: it can be no more than this. */
    if (since >= (int32_t)RATE_TICKS && edges_per_s > (int32_t)TICK_HZ / since)
        edges_per_s = TICK_HZ / since;
}

/* Whether edges come faster than they can be counted: the speed would read too low. */
static bool too_fast(uint16_t count) {
    return rate_refused >= MANY_REFUSED && rate_refused > (uint16_t)(count - rate_edges) / 8;
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
    put_number(i < FAST ? CONVERSIONS : CONVERSIONS / SLOW);
    put_flash(i == SHUNT ? PSTR(",LZ") : PSTR(",L"));
    put_number(i == SHUNT ? zero : 0);
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
        wdt_reset(); /* at the lowest speed all this takes most of its time */
        if (swept && introduced) data(); /* and longer than a line may wait */
        say_channel(i);
    }
    introduced = true;
}

/* A sweep is done: see what it means, then send it. */
static void data(void) {
    uint32_t tick, last;
    uint16_t count;
    uint8_t too_soon, dropped;
    const uint16_t *read; /* the sums that are not being filled: the next sweep waits for us */
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        count = edges;
        last = edge_tick;
        too_soon = refused;
        refused = 0;
    }
    tick = swept_tick;
    read = filling == sums[0] ? sums[1] : sums[0];
    for (uint8_t i = 0; i < CHANNELS; i++) newest[i] = read[i];
    newest[SHUNT] -= zero;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { /* also sees to it that all sums are read first */
        dropped = missed;
        missed = 0;
        swept = false;
    }
    rate_refused += too_soon;
    if (too_soon) status |= REFUSED;
    if ((status & ARMED) && too_fast(count)) cut(PSTR("fault"), FAULT, 'e');
    time_edges(tick, count, last);
    if (status & ARMED) judge(tick);
    if (out_room() >= OUT_KEPT + LONGEST_SAID) {
        begin('D');
        put_number(sequence);
        put_tick(tick);
        put_number(count);
        put_tick(last);
        put_number(status);
        for (uint8_t i = 0; i < CHANNELS; i++) put_number(newest[i]);
        end();
        status &= ~OF_ONE_LINE;
    }
    /* Counted also when it was dropped, here or before, so that the host sees the gap. */
    sequence += 1 + dropped;
}

/* ---- What the host says. */

/* Whether `text` is a whole number within the bounds; if so it stands in `value`. */
static bool whole(const char *text, int32_t low, int32_t high, int32_t *value) {
    bool negative = *text == '-';
    uint32_t sum = 0;
    text += negative;
    if (*text == 0) return false;
    for (; *text; text++) {
        uint8_t digit = *text - '0';
        if (digit > 9 || sum > 214748364UL) return false;
        sum = sum * 10 + digit;
    }
    if (sum > 2147483647UL + negative) return false;
    *value = negative ? -sum : sum;
    return *value >= low && *value <= high;
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
        if (!halted && !pressed) {
            pulse = TICKS(IDLE_US);
            PORTD |= _BV(PD4);
            status = ARMED | (status & OF_ONE_LINE);
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
    zero += newest[which];
    newest[which] = 0;
    say_channel(which);
    return NULL;
}

/* Carry out a command; gives the reason for a refusal, or NULL when it was done.
 * `field` are the `count` fields after the number. */
static const char *obey(const char *word, char **field, uint8_t count) {
    int32_t value;
#ifdef TEST_HANG
    if (!strcmp_P(word, PSTR("freeze"))) cli();
    if (!strcmp_P(word, PSTR("freeze")) || !strcmp_P(word, PSTR("hang")))
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

/* The value of a hexadecimal digit; 16 for anything else. */
static uint8_t hex(char c) {
    if (c >= '0' && c <= '9') return c - '0';
    c |= 32; /* small */
    return c >= 'a' && c <= 'f' ? c - 'a' + 10 : 16;
}

/* Take the checksum off a line; false when anything in it is not as it should be. */
static bool unframe(char *line) {
    char *star = strrchr(line, '*');
    uint16_t crc = 0xFFFF, told = 0;
    if (!star || strlen(star) != 5) return false;
    for (char *c = star + 1; *c; c++) {
        uint8_t digit = hex(*c);
        if (digit > 15) return false;
        told = told << 4 | digit;
    }
    for (char *c = line; c < star; c++) {
        if (*c < 32 || *c > 126) return false;
        crc = _crc_xmodem_update(crc, (uint8_t)*c);
    }
    *star = 0;
    return crc == told;
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

/* ---- Beginning.
 *
 * When the loop hangs, the watchdog's interrupt takes the drive away and begins the program anew.
 * It does so without a reset, since a boot loader comes first after one: an old one does not turn
 * the watchdog off and so is reset for ever, and newer ones hide why the part was reset. Should
 * interrupts be off or the program not begin, the watchdog's second time-out resets the part. */

#define HUNG 0x4B75

/* Kept where the C start-up code does not clear it. */
static uint16_t hung __attribute__((section(".noinit")));

#ifndef BEGIN_ANEW
#define BEGIN_ANEW() __asm__ volatile("jmp 0")
#endif

ISR(WDT_vect, ISR_NAKED) {
    PORTD &= ~_BV(PD4);
    DDRB &= ~_BV(PB1);
    hung = HUNG;
    BEGIN_ANEW();
}

#ifdef __AVR__
/* Runs before anything else. After its reset the watchdog is still on, and short; after a hang, or
 * a boot loader, nothing is as after a reset. */
void first(void) __attribute__((naked, used, section(".init3")));
void first(void) {
    if (MCUSR & _BV(WDRF)) hung = HUNG;
    MCUSR = 0;
    wdt_disable();
    TIMSK1 = TIMSK2 = 0;
    UCSR0B = 0;
    ADCSRA = 0;
}
#endif

/* 64 ms to the interrupt, and as much again to the reset. */
static void start_watchdog(void) {
    wdt_reset();
    WDTCSR = _BV(WDCE) | _BV(WDE);
    WDTCSR = _BV(WDIF) | _BV(WDIE) | _BV(WDE) | _BV(WDP1);
}

static void start_timer(void) {
    TIMSK0 = 0; /* the clock of an Arduino sketch is not needed, and would only interrupt */
    TCCR1A = _BV(COM1A1) | _BV(COM1A0);
    TCCR1B = _BV(ICNC1) | _BV(ICES1) | _BV(CS11); /* rising edges, filtered; a tick is 8 clocks */
    TCNT1 = START_TICK & 0xFFFF;
    OCR1A = rise_tick = TCNT1 + TICKS(1000);
    line_tick = TCNT1;
    begin_sweep();
    await_round();
    TIFR1 = _BV(ICF1) | _BV(OCF1A) | _BV(OCF1B) | _BV(TOV1); /* forget what came before */
    TIMSK1 = _BV(ICIE1) | _BV(OCIE1A) | _BV(OCIE1B) | _BV(TOIE1);
#if STOP_INPUT
    PORTD |= _BV(PD2); /* its pull-up */
    TCCR2A = _BV(WGM21);
    TCCR2B = _BV(CS22); /* 4 us */
    OCR2A = 249;
    TIMSK2 = _BV(OCIE2A);
#endif
}

void setup(void) {
    cli(); /* a sketch's core has let interrupts in */
    drive_off();
    DDRD |= _BV(PD4);
    DDRB |= _BV(PB1);
    PORTB |= _BV(PB0); /* the tachometer's pull-up */
    start_watchdog();

    boot = eeprom_read_word((uint16_t *)0) + 1;
    eeprom_update_word((uint16_t *)0, boot);
    for (uint8_t i = 0; i <= EDGES; i++) {
        limits[i].low = INT32_MIN;
        limits[i].high = INT32_MAX;
    }

    UCSR0A = _BV(U2X0);
    UBRR0 = UBRR_VALUE;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
    DIDR0 = (1 << CHANNELS) - 1; /* no digital inputs where voltages are measured */
    chance = boot;
    start_timer();
    connect(FAST);
    ADCSRB = _BV(ADTS2) | _BV(ADTS0); /* started by OCR1B */
    ADCSRA = _BV(ADEN) | _BV(ADATE) | _BV(ADIF) | _BV(ADIE) | CONVERTER_CLOCK;
    sei();

    introduce();
    if (hung == HUNG) {
        hung = 0;
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
    if (pressed) {
        cut(PSTR("button"), BUTTON, '-');
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
            if (!(PIND & _BV(PD2))) pressed = false;
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
