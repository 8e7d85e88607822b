// A small board in lines of text (protocol/SPEC.md, section 12): pickup on D3, run output on D9 to the cut relay.
// It cuts when told to, and when no heartbeat came for 250 ms. No overspeed limit, no watchdog, teeth to 20 us and
// some 300 a second: a start for a sketch of your own, not a guard to rely on, and never the emergency stop.
// 12345 is its number: give each board another.
#include <EEPROM.h>
const byte PICKUP = 3, RUN = 9;
volatile uint32_t tooth[16], teeth;                        // times of the latest teeth; how many there were
uint32_t told, lost, errors, heartbeat, status_at;         // how many told of, lost; damaged lines; two times
uint16_t boot, seq, cut = 1, cut_id = 1, cause = 7, alive; // starts cut (7: other), without a heartbeat
String got;                                                // what came of the host's line

void edge() { tooth[teeth % 16] = micros(); teeth++; }
void run(bool on) { digitalWrite(RUN, on); cut = !on; }

String sealed(const String &text) {                        // with its star and CRC-16/IBM-3740
  uint16_t crc = 0xFFFF;
  for (byte c : text) { c ^= crc >> 8; c ^= c >> 4; crc = crc << 8 ^ (uint16_t)c << 12 ^ c << 5 ^ c; }
  return text + "*" + String(0x10000UL + crc, HEX).substring(1);
}
void say(const String &text) { Serial.println(sealed(text)); }
String start(const char *word, uint32_t tick) { return String(word) + " " + seq++ + " " + tick + " "; }
void cut_now(byte why) { if (!cut) { run(false); cause = why; say(start("cut", micros()) + ++cut_id + " " + why); } }

void obey(const String &line) {
  String text = line.substring(0, line.lastIndexOf('*'));
  if (line != sealed(text)) { errors++; return; }
  if (text.startsWith("heartbeat ")) { heartbeat = micros(); alive = 1; return; }
  if (text.startsWith("identify ")) say(start("hello", micros()) + "12345 " + boot + " 1 0 0 1000000 1 0 0");
  if (text.startsWith("cut ")) cut_now(1);
  if (text.startsWith("release ") && alive && text.endsWith(" " + String(cut_id))) run(true);
  status_at -= 80000;                                      // a status is due
}
void setup() {
  pinMode(RUN, OUTPUT); attachInterrupt(digitalPinToInterrupt(PICKUP), edge, RISING);    // run low: cut
  EEPROM.get(0, boot); EEPROM.put(0, ++boot);              // another number than at the start before
  Serial.begin(115200); Serial.println(); obey("identify 0 0*10f3");   // ends noise; hello, then a status
}
void loop() {
  while (Serial.available() && !got.endsWith("\n")) got += (char)Serial.read();
  if (got.length() > 256) got = "*";                       // too long: damaged up to its end
  if (got.endsWith("\n")) { got.trim(); if (got.length() && got[0] != '#') obey(got); got = ""; }
  if (alive && micros() - heartbeat > 250000) { alive = 0; cut_now(3); status_at -= 80000; }
  if (micros() - status_at > 80000) say(start("status", status_at = micros()) + cut + " " + cut_id + " " + cause
                                        + " " + lost + " " + errors + " 0 0 250");
  noInterrupts(); uint32_t waiting = teeth - told, at = tooth[told % 16]; interrupts();
  if (waiting > 16) { lost += waiting; told += waiting; } else if (waiting) say(start("teeth", at) + "0 " + told++);
}
