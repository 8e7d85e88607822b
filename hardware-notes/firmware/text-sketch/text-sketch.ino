// A small board in lines of text (protocol/SPEC.md, section 12): a pickup on D3, the run output on D9.
// It cuts when told to and when the host is silent for 250 ms. No overspeed limit, no watchdog, teeth to
// 4 us and some 300 a second: a start for a sketch of your own, not a guard to rely on.
const uint8_t PICKUP = 3, RUN = 9;
volatile uint32_t tooth[64], lost;  // times that wait for their line; teeth that found no room
volatile uint8_t head, tail;
uint32_t number, heartbeat, status_at, errors;
uint16_t boot, seq, cut_id = 1;
uint8_t cut = 1, cause = 7;         // starts cut: 7, other
bool late = true;                   // the heartbeat
String got;

void edge() { if ((uint8_t)(head - tail) < 64) tooth[head++ % 64] = micros(); else lost++; }

String checksum(const String &text) {
  uint16_t crc = 0xFFFF;
  for (unsigned i = 0; i < text.length() * 8; i++) {
    if (i % 8 == 0) crc ^= (uint16_t)(uint8_t)text[i / 8] << 8;
    crc = crc & 0x8000 ? crc << 1 ^ 0x1021 : crc << 1;
  }
  return String(0x10000UL + crc, HEX).substring(1);
}
void say(const char *word, uint32_t tick, const String &numbers) {
  String line = String(word) + " " + seq++ + " " + tick + " " + numbers;
  Serial.println(line + "*" + checksum(line));
}
void hello() {                      // your board's number, start, version; ticks a second; pickup 0
  say("hello", micros(), "12345 " + String(boot) + " 1 0 0 1000000 1 0 0");
}
void status() {
  say("status", micros(), String(cut) + " " + cut_id + " " + cause + " " + lost + " " + errors + " 0 0 250");
  status_at = millis();
}
void cut_now(uint8_t why) {
  digitalWrite(RUN, LOW);
  if (!cut) { cut = 1; cause = why; say("cut", micros(), String(++cut_id) + " " + cause); }
}
void obey(const String &line) {
  int star = line.lastIndexOf('*');
  if (star < 0 || checksum(line.substring(0, star)) != line.substring(star + 1, star + 5)) { errors++; return; }
  if (line.startsWith("heartbeat ")) { heartbeat = micros(); late = false; return; }
  if (line.startsWith("identify ")) hello();
  if (line.startsWith("cut ")) cut_now(1);
  uint16_t named = line.substring(line.lastIndexOf(' ') + 1, star).toInt();
  if (line.startsWith("release ") && named == cut_id && !late) { cut = 0; digitalWrite(RUN, HIGH); }
  status();
}
void setup() {
  pinMode(RUN, OUTPUT);             // low: cut
  Serial.begin(115200);
  randomSeed(analogRead(A5));       // an open pin: a number that differs from the start before
  boot = random(65536);
  hello();
  status();
  attachInterrupt(digitalPinToInterrupt(PICKUP), edge, RISING);
}
void loop() {
  for (; Serial.available(); ) {
    char c = Serial.read();
    if (c == '\n') { obey(got); got = ""; } else if (got.length() < 100) got += c;
  }
  if (!late && micros() - heartbeat > 250000UL) { late = true; cut_now(3); status(); }
  if (millis() - status_at > 80) status();
  if (tail != head) { say("teeth", tooth[tail % 64], "0 " + String(number++)); tail++; }
}
