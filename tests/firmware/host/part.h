/*
 * The part as far as stand_board.ino knows it, for a computer: registers are variables, an
 * interrupt is a function that world.c calls when it is due.
 */

#ifndef PART_H
#define PART_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

static uint8_t PORTB, PORTD, DDRB, DDRD, PIND, TIMSK0, TIMSK1, TIMSK2, TCCR1A, TCCR1B, TIFR1;
static uint8_t TCCR2A, TCCR2B, OCR2A, WDTCSR, DIDR0, ADMUX, ADCSRA, ADCSRB;
static uint8_t UCSR0A, UCSR0B, UCSR0C, UDR0;
static uint16_t TCNT1, ICR1, OCR1A, OCR1B, ADC, UBRR0;

#define _BV(bit) (1 << (bit))
enum { PB0, PB1, PD2 = 2, PD4 = 4 };
enum { ADPS0, ADPS1, ADPS2, ADIE, ADIF, ADATE, ADSC, ADEN, ADTS0 = 0, ADTS2 = 2 };
enum { REFS0 = 6 };
enum { TOIE1, OCIE1A, OCIE1B, ICIE1 = 5 };
enum { TOV1, OCF1A, OCF1B, ICF1 = 5 };
enum { COM1A0 = 6, COM1A1 };
enum { CS11 = 1, ICES1 = 6, ICNC1 };
enum { WGM21 = 1, CS22, OCIE2A = 1 };
enum { UCSZ00 = 1, UCSZ01, U2X0 = 1 };
enum { TXEN0 = 3, RXEN0, UDRIE0, RXCIE0 = 7 };
enum { WDRF = 3, WDE = 3, WDCE, WDP1 = 1, WDIE = 6, WDIF };

#define ISR(name, ...) static void name(void)
#define BEGIN_ANEW() world_began_anew()
static void world_began_anew(void);
static void world_atomic(void);
static void world_started(void);
static void world_sleep(void);
#define ATOMIC_BLOCK(state) world_atomic();
#define cli() ((void)0)
#define sei() world_started()
#define sleep_cpu() world_sleep()
#define sleep_enable() ((void)0)
#define sleep_disable() ((void)0)
#define wdt_reset() ((void)0)

#define PROGMEM
#define PSTR(text) (text)
#define pgm_read_byte(address) (*(const uint8_t *)(address))
#define strcmp_P strcmp
#define strspn_P strspn
#define strncasecmp_P strncasecmp

static uint16_t eeprom;
static uint16_t eeprom_read_word(uint16_t *at) { return (void)at, eeprom; }
static void eeprom_update_word(uint16_t *at, uint16_t word) { (void)at, eeprom = word; }

static char *ultoa(unsigned long value, char *text, int base) {
    (void)base;
    sprintf(text, "%lu", value);
    return text;
}

static char *ltoa(long value, char *text, int base) {
    (void)base;
    sprintf(text, "%ld", value);
    return text;
}

/* As avr-libc's documentation gives it in C. */
static uint16_t _crc_xmodem_update(uint16_t crc, uint8_t data) {
    crc ^= (uint16_t)data << 8;
    for (int i = 0; i < 8; i++) crc = crc & 0x8000 ? crc << 1 ^ 0x1021 : crc << 1;
    return crc;
}

#endif
