/* A computer around the C of firmware_protocol.md ("A small board"), in one of three ways:
 *
 *     lines BOOT    each line of the input at once, then 20 ms: what the board says, and a line
 *                   `#0` or `#1` for its drive
 *     wire BOOT     the input at 115200 baud without a pause, on a simulated clock; to standard
 *                   error a line `MICROSECONDS DRIVE` whenever the drive changes
 *     port BOOT     input and output are a port, in real time
 */
#include "board.c"

#include <poll.h>
#include <time.h>
#include <unistd.h>

enum { LINES, WIRE, PORT };
enum { BYTE_US = 87, LOOP_US = 20, BUFFER = 256, LINE_US = 20000 };

static int way, driven;
static uint16_t number;
static uint32_t clock_us;
static unsigned waiting, sent_us; /* bytes in the send buffer; time since one left */

/* Let the simulated clock run: bytes come in and go out meanwhile. */
static void spend(unsigned us) {
    static unsigned came_us;
    while (us--) {
        int c;
        clock_us++;
        if (waiting && ++sent_us == BYTE_US) {
            waiting--;
            sent_us = 0;
        }
        if (++came_us == BYTE_US) {
            came_us = 0;
            if ((c = getchar()) != EOF) received((char)c);
        }
    }
}

uint32_t now(void) {
    struct timespec t;
    if (way != PORT) return clock_us;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (uint32_t)(t.tv_sec * 1000000u + t.tv_nsec / 1000);
}

uint16_t boot_number(void) { return number; }
long sum(int channel) { return channel == 0 ? 12 : 9902; }
uint16_t edges(void) { return 0; }
uint32_t edge_tick(void) { return 0; }
unsigned room(void) { return way == WIRE ? BUFFER - waiting : BUFFER; }

void put(const char *text) {
    for (; *text; text++) {
        while (way == WIRE && waiting == BUFFER) spend(1);
        waiting += way == WIRE;
        putchar(*text);
    }
}

void drive(int on) {
    if (way == WIRE && on != driven) fprintf(stderr, "%lu %d\n", (unsigned long)clock_us, on);
    driven = on;
}

static void settle(void) {
    while (first != last) loop();
    loop();
}

static void play_lines(void) {
    int c;
    while ((c = getchar()) != EOF) {
        received((char)c);
        loop();
        if (c != '\n') continue;
        settle();
        clock_us += LINE_US;
        settle();
        printf("#%d\n", driven);
    }
}

static void play_port(void) {
    struct pollfd port = {0, POLLIN, 0};
    char bytes[64];
    for (;;) {
        ssize_t count = 0;
        if (poll(&port, 1, 1) > 0 && (count = read(0, bytes, sizeof bytes)) <= 0) return;
        for (ssize_t i = 0; i < count; i++) received(bytes[i]);
        settle();
        fflush(stdout);
    }
}

int main(int argc, char **argv) {
    if (argc != 3) return 2;
    way = *argv[1] == 'l' ? LINES : *argv[1] == 'w' ? WIRE : PORT;
    number = (uint16_t)atoi(argv[2]);
    setup();
    if (way == LINES) play_lines();
    if (way == PORT) play_port();
    while (way == WIRE && clock_us < 1000000) {
        spend(LOOP_US);
        loop();
    }
    return 0;
}
