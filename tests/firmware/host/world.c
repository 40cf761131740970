/*
 * stand_board.ino on a computer, in a world of its own: a clock in the part's ticks of half a
 * microsecond, a wire, a tachometer, a converter and a contact. What is due happens between the
 * program's steps: where it sleeps, where it lets interrupts in, and after each loop.
 * Driven from tests/firmware/world.py. Not modelled: how long instructions take, except that a
 * loop takes up to `loop_ticks`; the part's own tests run on a simulated part.
 */

#include "stand_board.ino"

#include <math.h>

#define BYTE_TICKS (10.0 * TICK_HZ / BAUD)
#define CONVERTER_TICKS (CONVERTER_CLOCK & _BV(ADPS0) ? 16 : 8) /* of one of its clocks */
#define FIRST_TICK (1 << 20)

static uint64_t now_tick;
static uint16_t timer_offset;
static bool running, inside;

/* What is due, and when. */
static uint64_t converter_phase, converted_at, received_at, sent_at, milli_at;
static double edge_at;

/* The surroundings. */
static double edge_period, input[8], ripple, ripple_period, filter_ticks;
static uint32_t loop_ticks, random_state = 1;
static uint8_t to_receive[65536];
static uint32_t receive_next, receive_end;

/* What came of it. */
static char output[1 << 20];
static uint32_t output_end;
static struct {
    uint64_t tick;
    int level;
} drives[1000];
static uint32_t drive_count;
static int anew;

static void world_began_anew(void) { anew = 1; }

static void world_started(void) {
    if (running) return;
    running = true;
    timer_offset = TCNT1 - (uint16_t)now_tick;
    TIFR1 = 0; /* its flags were cleared by ones */
    milli_at = now_tick + 2000;
}

static uint32_t any(void) {
    random_state ^= random_state << 13;
    random_state ^= random_state >> 17;
    return random_state ^= random_state << 5;
}

static void see_drive(void) {
    int level = (PORTD & DDRD & _BV(PD4)) != 0;
    int before = drive_count ? drives[drive_count - 1].level : 0;
    if (level != before && drive_count < sizeof drives / sizeof *drives) {
        drives[drive_count].tick = now_tick;
        drives[drive_count++].level = level;
    }
}

/* Square ripple behind a filter: what is left of each odd harmonic. */
static double ripple_at(double tick) {
    double phase = tick / ripple_period, sum = 0;
    if (filter_ticks == 0) return fmod(phase, 1) < 0.5 ? ripple : -ripple;
    for (int k = 1; k < 16; k += 2) {
        double lag = 2 * M_PI * k / ripple_period * filter_ticks;
        sum += sin(2 * M_PI * k * phase - atan(lag)) / k / sqrt(1 + lag * lag);
    }
    return 4 / M_PI * ripple * sum;
}

static uint16_t convert(double tick) {
    uint8_t which = (ADMUX & 15) == 14 ? 7 : ADMUX & 7;
    double counts = input[which] + (double)any() / UINT32_MAX;
    if (which == 0 && ripple) counts += ripple_at(tick);
    return counts < 0 ? 0 : counts > 1023 ? 1023 : counts;
}

static uint64_t after(uint16_t compare) {
    uint16_t ticks = compare - (uint16_t)(now_tick + timer_offset);
    return now_tick + (ticks ? ticks : 65536);
}

static uint64_t sooner(uint64_t a, uint64_t b) { return a < b ? a : b; }

static uint64_t next_due(void) {
    uint64_t due = sooner(after(0), sooner(after(OCR1A), after(OCR1B)));
    if (converted_at) due = sooner(due, converted_at);
    if (receive_next != receive_end) due = sooner(due, received_at);
    if (sent_at) due = sooner(due, sent_at);
    if (edge_period) due = sooner(due, (uint64_t)edge_at);
    if (TIMSK2) due = sooner(due, milli_at);
    return due;
}

/* Begin what the program has asked for. */
static void attend(void) {
    see_drive();
    if ((ADCSRA & _BV(ADSC)) && !converted_at) {
        uint64_t clocks = (now_tick - converter_phase) / CONVERTER_TICKS + 1;
        uint64_t begin = converter_phase + clocks * CONVERTER_TICKS;
        ADC = convert(begin + 1.5 * CONVERTER_TICKS);
        converted_at = begin + 13 * CONVERTER_TICKS;
    }
    if ((UCSR0B & _BV(UDRIE0)) && !sent_at) {
        USART_UDRE_vect();
        if (output_end < sizeof output) output[output_end++] = UDR0;
        sent_at = now_tick + (uint64_t)BYTE_TICKS;
    }
}

static void happen(uint64_t due) {
    uint16_t timer;
    now_tick = due;
    TCNT1 = timer = (uint16_t)(now_tick + timer_offset);
    if (timer == 0) TIMER1_OVF_vect();
    if (edge_period && (uint64_t)edge_at <= due) {
        ICR1 = timer;
        TIMER1_CAPT_vect();
        edge_at += edge_period;
    }
    if (timer == OCR1A) TIMER1_COMPA_vect();
    if (timer == OCR1B) {
        /* The data sheet, "Prescaling and Conversion Timing": the trigger resets the prescaler,
         * the input is held 2 clocks after it, and the result is there after 13.5. */
        if (!converted_at && (ADCSRA & _BV(ADATE)) && ADCSRB == (_BV(ADTS2) | _BV(ADTS0))) {
            ADCSRA |= _BV(ADSC);
            converter_phase = now_tick;
            ADC = convert(now_tick + 2.0 * CONVERTER_TICKS);
            converted_at = now_tick + 13.5 * CONVERTER_TICKS;
        }
        TIMER1_COMPB_vect();
    }
    if (TIMSK2 && milli_at <= due) {
#if STOP_INPUT
        TIMER2_COMPA_vect();
#endif
        milli_at += 2000;
    }
    if (receive_next != receive_end && received_at <= due) {
        UDR0 = to_receive[receive_next++];
        received_at += (uint64_t)BYTE_TICKS;
        USART_RX_vect();
    }
    if (sent_at && sent_at <= due) sent_at = 0;
    if (converted_at && converted_at <= due) {
        converted_at = 0;
        ADCSRA &= ~_BV(ADSC);
        ADC_vect();
    }
    attend();
}

static void pass(uint64_t ticks) {
    uint64_t end = now_tick + ticks, due;
    inside = true;
    attend();
    while ((due = next_due()) <= end) happen(due);
    now_tick = end;
    TCNT1 = (uint16_t)(now_tick + timer_offset);
    inside = false;
}

static void world_atomic(void) {
    if (running && !inside) pass(2);
}

static void world_sleep(void) {
    inside = true;
    attend();
    happen(next_due());
    inside = false;
}

/* ---- For the tests. */

void world_begin(uint16_t eeprom_word, uint32_t seed, int after_hang) {
    hung = after_hang ? HUNG : 0;
    eeprom = eeprom_word;
    random_state = seed;
    now_tick = FIRST_TICK + any() % 65536;
    for (int i = 0; i < 8; i++) input[i] = 200 + 100 * i;
    setup();
}

double world_run(double seconds) {
    uint64_t end = now_tick + (uint64_t)(seconds * TICK_HZ);
    while (now_tick < end && !anew) {
        loop();
        see_drive();
        if (loop_ticks) pass(any() % loop_ticks);
    }
    return (double)now_tick / TICK_HZ;
}

void world_send(const uint8_t *bytes, uint32_t count) {
    if (receive_next == receive_end) {
        receive_next = receive_end = 0;
        received_at = now_tick + (uint64_t)BYTE_TICKS;
    }
    for (uint32_t i = 0; i < count && receive_end < sizeof to_receive; i++)
        to_receive[receive_end++] = bytes[i];
}

uint32_t world_output(char *text, uint32_t most) {
    uint32_t count = output_end < most ? output_end : most;
    memcpy(text, output, count);
    memmove(output, output + count, output_end - count);
    output_end -= count;
    return count;
}

void world_input(int which, double counts) { input[which] = counts; }
void world_ripple(double counts, double hz, double filter_s) {
    ripple = counts;
    ripple_period = TICK_HZ / hz;
    filter_ticks = filter_s * TICK_HZ;
}
void world_edges(double hz) {
    edge_period = hz ? TICK_HZ / hz : 0;
    edge_at = now_tick + 1 + edge_period * ((double)any() / UINT32_MAX);
}
void world_contact(int open) { PIND = open ? _BV(PD2) : 0; }
void world_slow_loop(double seconds) { loop_ticks = seconds * TICK_HZ; }
void world_hang(void) { WDT_vect(); see_drive(); }
int world_hung(void) { return hung == HUNG; }
double world_pulse_us(void) { return pulse / 2.0; }
uint32_t world_drives(double *seconds, int *levels, uint32_t most) {
    for (uint32_t i = 0; i < drive_count && i < most; i++) {
        seconds[i] = (double)drives[i].tick / TICK_HZ;
        levels[i] = drives[i].level;
    }
    return drive_count;
}
#ifdef COVERED
void __gcov_dump(void);
void world_dump(void) { __gcov_dump(); }
#endif
