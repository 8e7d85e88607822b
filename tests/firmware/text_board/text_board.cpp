// Runs the text sketch in virtual time and understands those commands of the board simulator that a
// sketch can answer: run, edges 0, receive. Its cycles are the same 16 a microsecond.
#include <cinttypes>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <vector>

#include "sketch.h"

Line Serial;

static uint64_t cycle;
static uint64_t line_free; // when the line has sent what it was given
static bool run_level;
static void (*on_edge)();
static std::deque<uint64_t> edges;
static std::deque<std::pair<uint64_t, char>> received;

enum { CYCLES_PER_US = 16, CYCLES_PER_BYTE = 16000000 / 11520, CYCLES_PER_LOOP = 200 };

// At least four ticks a count, as on the chip.
uint32_t micros() { return (uint32_t)(cycle / CYCLES_PER_US) & ~3u; }
uint32_t millis() { return (uint32_t)(cycle / (1000 * CYCLES_PER_US)); }
void pinMode(int, int) {}
void attachInterrupt(int, void (*handler)(), int) { on_edge = handler; }

void digitalWrite(int pin, int level)
{
    if (pin == 9 && level != run_level) {
        run_level = level;
        printf("run_pin %" PRIu64 " %d\n", cycle, level);
    }
}

// Edges interrupt whatever the sketch does, also while it waits for room on the line.
static void pass(uint64_t until)
{
    while (cycle < until) {
        cycle += CYCLES_PER_US;
        while (!edges.empty() && edges.front() <= cycle) {
            edges.pop_front();
            printf("edge 0 %" PRIu64 "\n", cycle);
            on_edge();
        }
        while (!received.empty() && received.front().first <= cycle) {
            Serial.in.push_back(received.front().second);
            received.pop_front();
        }
    }
}

void Line::println(const String &text)
{
    uint64_t start = line_free > cycle ? line_free : cycle;
    line_free = start + (text.length() + 2) * CYCLES_PER_BYTE;
    printf("sent %" PRIu64 " ", line_free);
    for (unsigned i = 0; i < text.length(); i++)
        printf("%02x", (unsigned char)text[i]);
    puts("0d0a");
    uint64_t buffer = 64 * CYCLES_PER_BYTE;
    if (line_free > cycle + buffer)
        pass(line_free - buffer);
}

#include "../../../hardware-notes/firmware/text-sketch/text-sketch.ino"

int main()
{
    setup();
    static char line[1 << 22];
    while (fgets(line, sizeof line, stdin)) {
        char *word = strtok(line, " \n");
        if (!strcmp(word, "run")) {
            uint64_t until = strtoull(strtok(nullptr, " \n"), nullptr, 0);
            while (cycle < until) {
                pass(cycle + CYCLES_PER_LOOP);
                loop();
            }
        } else if (!strcmp(word, "edges")) {
            strtok(nullptr, " \n");
            while (char *at = strtok(nullptr, " \n"))
                edges.push_back(strtoull(at, nullptr, 0));
        } else if (!strcmp(word, "receive")) {
            uint64_t at = strtoull(strtok(nullptr, " \n"), nullptr, 0);
            for (char *hex = strtok(nullptr, " \n"); *hex && *hex != '\n'; hex += 2) {
                char two[] = { hex[0], hex[1], 0 };
                at += CYCLES_PER_BYTE;
                received.push_back({ at, (char)strtoul(two, nullptr, 16) });
            }
        } else {
            printf("error unknown command %s\n", word);
        }
        puts("ok");
        fflush(stdout);
    }
}
