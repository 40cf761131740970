/*
 * The smallest board: it only talks. An Arduino sketch for an Uno or Nano that says what it is,
 * which channels it has, and fifty times a second what it reads at A0 and A1.
 *
 * It hears nothing and can stop nothing: the host says so all the time, and a hand on the
 * supply's switch is the only stop. Read firmware_protocol.md; then see stand_board.
 */

#include <util/crc16.h>

static char body[121];
static uint16_t sequence;
static uint32_t lines_due, hello_due;

static void say() {
    uint16_t crc = 0xFFFF;
    char tail[7];
    for (char *c = body; *c; c++) crc = _crc_xmodem_update(crc, *c);
    sprintf(tail, "*%04X\n", crc);
    Serial.print(body);
    Serial.print(tail);
}

static void introduce() {
    strcpy(body, "H,1,marram listener,1.0,0,1000000,50,-,2");
    say();
    strcpy(body, "C,0,current,shunt,1024,16,-,0");
    say();
    strcpy(body, "C,1,voltage,pack,1024,16,-,0");
    say();
}

static int sum(uint8_t pin) {
    int total = 0;
    for (uint8_t i = 0; i < 16; i++) total += analogRead(pin);
    return total;
}

void setup() { Serial.begin(115200); }

void loop() {
    if ((int32_t)(micros() - hello_due) >= 0) {
        hello_due += 2000000;
        introduce();
    }
    if ((int32_t)(micros() - lines_due) >= 0) {
        lines_due += 20000;
        int current = sum(A0), voltage = sum(A1);
        /* No tachometer: both its fields stay 0. Status 0: nothing can be armed or cut. */
        sprintf(body, "D,%u,%lu,0,0,0,%d,%d", sequence++, micros(), current, voltage);
        say();
    }
}
