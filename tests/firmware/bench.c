/*
 * A motor stand around a simulated ATmega328P.
 *
 *     bench FIRMWARE.elf MOTOR [name=value ...] [feed=FILE] [loader=FILE.hex]
 *
 * The firmware's serial line is a pseudo terminal, whose path is the first line printed. Its
 * converter inputs and its tachometer see a motor, driven by the throttle pulse while the drive
 * pin is high. MOTOR is a table made from the simulator's motor, a row for each throttle at even
 * steps from 0 to 1: rpm, amps, volts. Printed, each with seconds of the firmware's time:
 *
 *     0.012345 drive 1     the drive pin changed
 *     0.012345 host stop   a line from the host was handed over, up to its line feed
 *     0.012345 pulse 1500  the throttle pulse has another length, in microseconds
 *     0.012345 truth 6000.00 12.345 24.100  rpm, amps and volts, ten times a second
 *     0.012345 reset       the firmware started anew
 *
 *     0.012345 surge       the current is far up from here on, until the drive is off
 *     0.012345 contact 1   the contact at the stop input is open (1) or closed, after bouncing
 *
 * It runs in real time and ends when its standard input does. A line `surge` there lets the
 * current rise, a line `dip` the supply fail for a moment, so that the part resets; `open` opens
 * the contact, `close` closes it; `unplug` takes the motor's supply off, `plug` puts it on, and
 * `turn` turns the rotor three times by hand. With `loader` that boot loader is in the part, too. With `feed`
 * it runs as fast as it can instead, and hands the firmware what stands in that file, rows of
 * "seconds bytes-in-hex", until it is used up.
 * The names and what they mean stand in `settings`.
 */

#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <pty.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <avr_adc.h>
#include <avr_ioport.h>
#include <avr_uart.h>
#include <sim_avr.h>
#include <sim_elf.h>
#include <sim_hex.h>
#include <sim_interrupts.h>
#include <sim_irq.h>
#include <sim_time.h>

#define CLOCK_HZ 16000000
#define FLASH 32768
#define STEP_US 100      /* of the motor */
#define SURGE_AMPS 120
#define CATCH_UP_S 0.05  /* after this machine was busy, do not run after it for longer */

static struct {
    const char *name;
    double value;
} settings[] = {
    {"rpm_per_s", 12000}, /* how fast the speed may change */
    {"marks", 2},      /* on the rotor */
    {"mv_per_amp", 37.5}, /* of the shunt and its amplifier */
    {"divider", 10.0 / 66.0},
    {"thermistors", 2500}, /* millivolts at each */
    {"noise", 2},      /* millivolts, the largest */
    {"amps", 0},       /* besides those of the motor */
    {"ripple", 0},     /* amps of square ripple, ... */
    {"ripple_hz", 0},  /* ... so often, ... */
    {"filter_s", 0},   /* ... behind a filter with this time constant; 0 for none */
    {"supply_mv", 5000},
    {"bounce_ms", 0},  /* so long the contact bounces whenever it moves */
};

static double setting(const char *name) {
    for (size_t i = 0; i < sizeof settings / sizeof *settings; i++)
        if (!strcmp(settings[i].name, name)) return settings[i].value;
    fprintf(stderr, "bench: no setting %s\n", name);
    exit(2);
}

static void change_setting(const char *text) {
    const char *equals = strchr(text, '=');
    for (size_t i = 0; equals && i < sizeof settings / sizeof *settings; i++)
        if (strlen(settings[i].name) == (size_t)(equals - text) &&
            !strncmp(settings[i].name, text, equals - text)) {
            settings[i].value = atof(equals + 1);
            return;
        }
    fprintf(stderr, "bench: cannot use %s\n", text);
    exit(2);
}

static avr_t *avr;

static void tell(const char *what, const char *value) {
    printf("%.6f %s %s\n", (double)avr->cycle / CLOCK_HZ, what, value);
    fflush(stdout);
}

/* ---- The drive pin and the throttle pulse. */

static int driven, surging;
static avr_cycle_count_t pulse_began, pulse_ended;
static double pulse_us;

static void on_drive(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    if ((int)value == driven) return;
    driven = value;
    if (!driven) surging = 0;
    tell("drive", driven ? "1" : "0");
}

static void on_pulse(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    if (value) {
        pulse_began = avr->cycle;
    } else if (pulse_began) {
        double us = (avr->cycle - pulse_began) * 1e6 / CLOCK_HZ;
        pulse_ended = avr->cycle;
        pulse_began = 0;
        if (fabs(us - pulse_us) > 5) {
            char text[20];
            snprintf(text, sizeof text, "%.0f", us);
            tell("pulse", text);
            pulse_us = us;
        }
    }
}

/* How much throttle the controller sees, 0 to 1. */
static double throttle(void) {
    if (!driven || avr->cycle - pulse_ended > CLOCK_HZ / 20) return 0;
    return fmin(fmax((pulse_us - 1000) / 1000, 0), 1);
}

/* ---- The motor, and the tachometer's marks. */

static double rpm, amps, volts, phase; /* phase: from one mark to the next, 0 to 1 */
static double turns_by_hand;
static int unplugged;
#define HAND_RPM 60
static avr_irq_t *tachometer;

static struct point {
    double rpm, amps, volts;
} motor[200];
static int points;

static void read_motor(const char *path) {
    FILE *file = fopen(path, "r");
    struct point *p = motor;
    while (file && points < 200 && fscanf(file, "%lf %lf %lf", &p->rpm, &p->amps, &p->volts) == 3)
        points++, p++;
    if (points < 2) {
        fprintf(stderr, "bench: cannot use %s as the motor\n", path);
        exit(2);
    }
    fclose(file);
}

static double between(double from, double to, double share) { return from + (to - from) * share; }

/* The speed that this throttle, 0 to 1, leads to. */
static double speed_at(double throttle) {
    double place = throttle * (points - 1);
    int low = fmin(place, points - 2);
    return between(motor[low].rpm, motor[low + 1].rpm, place - low);
}

/* Amps and volts at this speed while driven; undriven as at standstill. */
static void load(double speed) {
    int low = 0;
    while (low < points - 2 && motor[low + 1].rpm < speed) low++;
    struct point *a = &motor[low], *b = a + 1;
    double share = b->rpm > a->rpm ? fmin((speed - a->rpm) / (b->rpm - a->rpm), 1) : 0;
    amps = between(a->amps, b->amps, share);
    volts = between(a->volts, b->volts, share);
}

static avr_cycle_count_t mark(avr_t *avr_, avr_cycle_count_t when, void *param) {
    (void)avr_, (void)when, (void)param;
    avr_raise_irq(tachometer, 1);
    return 0;
}

static avr_cycle_count_t step(avr_t *avr_, avr_cycle_count_t when, void *param) {
    (void)param;
    double seconds = STEP_US * 1e-6, change = setting("rpm_per_s") * seconds;
    rpm += fmin(fmax(speed_at(throttle()) - rpm, -change), change);
    load(throttle() > 0 ? rpm : 0);
    if (surging) amps = SURGE_AMPS;
    if (unplugged) rpm = amps = volts = 0;
    double turning = rpm;
    if (turns_by_hand > 0 && rpm == 0) {
        turning = HAND_RPM;
        turns_by_hand -= turning / 60 * seconds;
    }
    static unsigned steps;
    if (++steps % 1000 == 0) {
        char text[60];
        snprintf(text, sizeof text, "%.4f %.4f %.4f", rpm, amps, volts);
        tell("truth", text);
    }

    double marks_per_s = turning / 60 * setting("marks");
    double next = phase + marks_per_s * seconds;
    avr_raise_irq(tachometer, 0);
    if (next >= 1) {
        /* Counted from `when`, not from now: this callback may be late by an instruction. */
        double until_s = (1 - phase) / marks_per_s;
        avr_cycle_count_t at = when + (avr_cycle_count_t)(until_s * CLOCK_HZ);
        avr_cycle_timer_register(avr_, at > avr_->cycle ? at - avr_->cycle : 1, mark, NULL);
        next -= 1;
    }
    phase = next;
    return when + STEP_US * (CLOCK_HZ / 1000000);
}

/* ---- The converter's inputs. */

static avr_irq_t *converter;

/* Square ripple: behind a filter, what that leaves of each odd harmonic. */
static double ripple(void) {
    double hz = setting("ripple_hz"), tau = 2 * M_PI * hz * setting("filter_s"), sum = 0;
    double phase = fmod((double)avr->cycle / CLOCK_HZ * hz, 1);
    if (tau == 0) return setting("ripple") * (phase < 0.5 ? 1 : -1);
    for (int k = 1; k < 16; k += 2)
        sum += sin(2 * M_PI * k * phase - atan(k * tau)) / k / hypot(1, k * tau);
    return setting("ripple") * 4 / M_PI * sum;
}

static void on_convert(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    union {
        avr_adc_mux_t mux;
        uint32_t value;
    } which = {.value = value};
    if (which.mux.kind != ADC_MUX_SINGLE) return;
    double mv = setting("thermistors");
    if (which.mux.src == 0) mv = (amps + setting("amps") + (setting("ripple") ? ripple() : 0)) * setting("mv_per_amp");
    if (which.mux.src == 1) mv = volts * 1000 * setting("divider");
    mv += setting("noise") * (2.0 * rand() / RAND_MAX - 1);
    /* The simulated part has 1023 steps where the real one has 1024. */
    mv = fmin(fmax(mv * 1024 / 1023, 0), setting("supply_mv") - 1);
    avr_raise_irq(converter + which.mux.src, (uint32_t)(mv + 0.5));
}

/* The simulated part lacks two things that its data sheet has. Timer 1's compare B starts a
 * conversion, when that is asked for: "ADC Auto Trigger Source". And when the watchdog's interrupt
 * is not executed before the next time-out, a reset is applied: "Watchdog Timer". */

#define ADCSRB 0x7B
#define WDTCSR 0x60
#define WDIE 6
enum { WATCHDOG_VECTOR = 6, COMPARE_B_VECTOR = 12 };

static void on_compare_b(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    if (value && (avr->data[ADCSRB] & 7) == 5) avr_raise_irq(converter + ADC_IRQ_IN_TRIGGER, 1);
}

static avr_cycle_count_t deafen_watchdog(avr_t *avr_, avr_cycle_count_t when, void *param) {
    (void)when;
    avr_int_vector_t *vector = param;
    if (vector->pending) avr_->data[WDTCSR] &= ~(1 << WDIE);
    return 0;
}

static void on_watchdog(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    if (value) avr_cycle_timer_register_usec(avr, 1000, deafen_watchdog, param);
}

static void complete_part(void) {
    avr_irq_register_notify(
        avr_get_interrupt_irq(avr, COMPARE_B_VECTOR) + AVR_INT_IRQ_PENDING, on_compare_b, NULL);
    for (int i = 0; i < avr->interrupts.vector_count; i++) {
        avr_int_vector_t *vector = avr->interrupts.vector[i];
        if (vector->vector == WATCHDOG_VECTOR)
            avr_irq_register_notify(vector->irq + AVR_INT_IRQ_PENDING, on_watchdog, vector);
    }
}

/* ---- The contact at the stop input. */

static avr_irq_t *stop_input;
static int opened;
static avr_cycle_count_t bounces_until;

/* The contact goes against the pin's pull-up, or leaves the pin to it. */
static void touch(int open) {
    avr_ioport_external_t pin = {.name = 'D', .mask = 1 << 2, .value = open << 2};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &pin);
    avr_raise_irq(stop_input, open);
}

static avr_cycle_count_t bounce(avr_t *avr_, avr_cycle_count_t when, void *param) {
    (void)param;
    if (when >= bounces_until) {
        touch(opened);
        tell("contact", opened ? "1" : "0");
        return 0;
    }
    touch(rand() & 1);
    return when + avr_usec_to_cycles(avr_, 100 + rand() % 500);
}

static void move_contact(int open) {
    opened = open;
    bounces_until = avr->cycle + avr_usec_to_cycles(avr, 1000 * setting("bounce_ms"));
    tell("moved", open ? "1" : "0");
    avr_cycle_timer_register(avr, 1, bounce, NULL);
}

/* ---- The serial line. */

static int line_fd;
static avr_irq_t *uart_in;
static int uart_takes = 1;

/* What the firmware has sent goes to the host in handfuls, as through an adapter. */
static char sent[256];
static size_t sent_count;

static void hand_on(void) {
    struct pollfd who = {line_fd, 0, 0};
    poll(&who, 1, 0);
    /* With nobody at the other end it is gone, as from an unplugged cable. */
    if (!(who.revents & POLLHUP) && write(line_fd, sent, sent_count) < 0 && errno != EAGAIN) exit(1);
    sent_count = 0;
}

static void on_sent(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    sent[sent_count++] = value;
    if (sent_count == sizeof sent) hand_on();
}

static void on_xon(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)value, (void)param;
    uart_takes = 1;
}

static void on_xoff(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)value, (void)param;
    uart_takes = 0;
}

static void hand_over(char c) {
    static char line[200];
    static size_t length;
    avr_raise_irq(uart_in, (uint8_t)c);
    if (c == '\n') {
        line[length] = 0;
        tell("host", line);
        length = 0;
    } else if (length < sizeof line - 1) {
        line[length++] = c >= 32 && c < 127 ? c : '?';
    }
}

/* Run to the end of what `path` says; see the top. */
static int feed(const char *path) {
    FILE *file = fopen(path, "r");
    double seconds;
    unsigned byte;
    char end;
    while (file && fscanf(file, "%lf", &seconds) == 1) {
        do {
            while (avr->cycle < seconds * CLOCK_HZ || !uart_takes) {
                int state = avr_run(avr);
                if (state == cpu_Done || state == cpu_Crashed) return 3;
            }
            if (fscanf(file, "%2x%c", &byte, &end) != 2) return 2;
            hand_over(byte);
        } while (end != '\n' && ungetc(end, file) != EOF);
    }
    tell("end", "");
    return file ? 0 : 2;
}

static void open_line(void) {
    int other_fd;
    struct termios raw;
    cfmakeraw(&raw);
    memset(&raw, 0, sizeof raw);
    raw.c_cflag |= CS8 | CREAD;
    if (openpty(&line_fd, &other_fd, NULL, &raw, NULL) != 0) exit(1);
    printf("port %s\n", ttyname(other_fd));
    fflush(stdout);
    close(other_fd);
    fcntl(line_fd, F_SETFL, O_NONBLOCK);
}

static void connect_uart(void) {
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    uint32_t uart = AVR_IOCTL_UART_GETIRQ('0');
    uart_in = avr_io_getirq(avr, uart, UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, uart, UART_IRQ_OUTPUT), on_sent, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, uart, UART_IRQ_OUT_XON), on_xon, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, uart, UART_IRQ_OUT_XOFF), on_xoff, NULL);
}

/* ---- Resets. One clears all pins without an event, and forgets all timers, ours too. */

static void (*part_reset)(avr_t *);

static void on_reset(avr_t *avr_) {
    if (part_reset) part_reset(avr_);
    on_drive(NULL, 0, NULL);
    pulse_began = 0;
    uart_takes = 1;
    tell("reset", "");
    touch(opened);
    avr_cycle_timer_register_usec(avr_, STEP_US, step, NULL);
}

static void no_sleep(avr_t *avr_, avr_cycle_count_t how_long) { (void)avr_, (void)how_long; }

static void no_log(avr_t *avr_, const int level, const char *format, va_list values) {
    (void)avr_, (void)level, (void)format, (void)values;
}

/* Put a boot loader into the part, and have it start there. Debian's build of the usual one has 532
 * bytes, 20 more than its place: it gets the next larger boot section, and knows no addresses. */
static int load_loader(const char *path) {
    ihex_chunk_p chunks = NULL;
    int count = read_ihex_chunks(path, &chunks);
    uint32_t lowest = UINT32_MAX;
    for (int i = 0; i < count; i++) {
        uint32_t at = chunks[i].baseaddr;
        if (at + chunks[i].size > FLASH) at -= 512;
        if (chunks[i].size == 0 || at + chunks[i].size > FLASH) continue;
        memcpy(avr->flash + at, chunks[i].data, chunks[i].size);
        if (at < lowest) lowest = at;
    }
    avr->codeend = FLASH;
    avr->reset_pc = avr->pc = lowest;
    return count > 0;
}

static double wall_s(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return now.tv_sec + now.tv_nsec * 1e-9;
}

int main(int count, char **words) {
    const char *food = NULL, *loader = NULL;
    if (count < 3) {
        fprintf(stderr, "usage: bench FIRMWARE.elf MOTOR [name=value ...] [feed=FILE] [loader=FILE]\n");
        return 2;
    }
    read_motor(words[2]);
    for (int i = 3; i < count; i++) {
        if (!strncmp(words[i], "feed=", 5)) food = words[i] + 5;
        else if (!strncmp(words[i], "loader=", 7)) loader = words[i] + 7;
        else change_setting(words[i]);
    }

    elf_firmware_t firmware;
    memset(&firmware, 0, sizeof firmware);
    avr_global_logger_set(no_log);
    if (elf_read_firmware(words[1], &firmware) != 0) {
        fprintf(stderr, "bench: cannot read %s\n", words[1]);
        return 2;
    }
    avr = avr_make_mcu_by_name("atmega328p");
    avr_init(avr);
    avr_load_firmware(avr, &firmware);
    avr->frequency = CLOCK_HZ;
    avr->vcc = avr->avcc = avr->aref = setting("supply_mv");
    avr->sleep = no_sleep;

    if (loader && !load_loader(loader)) {
        fprintf(stderr, "bench: cannot read %s\n", loader);
        return 2;
    }

    tachometer = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0);
    converter = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0);
    uint32_t port_b = AVR_IOCTL_IOPORT_GETIRQ('B'), port_d = AVR_IOCTL_IOPORT_GETIRQ('D');
    avr_irq_register_notify(avr_io_getirq(avr, port_b, 1), on_pulse, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, port_d, 4), on_drive, NULL);
    avr_irq_register_notify(
        avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), on_convert, NULL);
    stop_input = avr_io_getirq(avr, port_d, 2);
    complete_part();
    touch(0);
    open_line();
    connect_uart();
    part_reset = avr->reset;
    avr->reset = on_reset;
    avr_cycle_timer_register_usec(avr, STEP_US, step, NULL);

    if (food) return feed(food);
    double began_s = wall_s();
    struct pollfd parent = {STDIN_FILENO, POLLIN, 0};
    char event[64];
    for (;;) {
        double ahead_s = wall_s() - began_s - (double)avr->cycle / CLOCK_HZ;
        if (ahead_s > CATCH_UP_S) began_s += ahead_s - CATCH_UP_S;
        avr_cycle_count_t until = (avr_cycle_count_t)((wall_s() - began_s) * CLOCK_HZ);
        while (avr->cycle < until) {
            int state = avr_run(avr);
            if (state == cpu_Done || state == cpu_Crashed) return 3;
        }
        if (sent_count) hand_on();
        char c;
        while (uart_takes && read(line_fd, &c, 1) == 1) hand_over(c);
        if (poll(&parent, 1, 0) > 0) {
            if (read(STDIN_FILENO, event, sizeof event) <= 0) return 0;
            if (*event == 's') {
                surging = 1;
                tell("surge", "");
            } else if (*event == 'u' || *event == 'p') {
                unplugged = *event == 'u';
            } else if (*event == 't') {
                turns_by_hand = 3;
            } else if (*event == 'o' || *event == 'c') {
                move_contact(*event == 'o');
            } else {
                avr_reset(avr);
            }
        }
        usleep(1000);
    }
}
