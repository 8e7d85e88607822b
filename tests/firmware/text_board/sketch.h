// Just enough of what a sketch expects around it to run one on this machine, in virtual time.
#pragma once

#include <cstdint>
#include <deque>
#include <string>

enum { LOW, HIGH, OUTPUT, RISING, HEX = 16, A5 = 19 };

class String {
    std::string text;

public:
    String(const char *from = "") : text(from) {}
    String(const std::string &from) : text(from) {}
    String(unsigned long long value, int base = 10)
    {
        for (; value || text.empty(); value /= base)
            text.insert(text.begin(), "0123456789abcdef"[value % base]);
    }
    unsigned length() const { return text.size(); }
    char operator[](unsigned at) const { return text[at]; }
    String substring(unsigned from) const { return text.substr(from); }
    String substring(unsigned from, unsigned to) const { return text.substr(from, to - from); }
    int lastIndexOf(char c) const { return (int)text.rfind(c); }
    bool startsWith(const char *with) const { return text.rfind(with, 0) == 0; }
    long toInt() const { return atol(text.c_str()); }
    bool operator!=(const String &other) const { return text != other.text; }
    void operator+=(char c) { text += c; }
    const char *c_str() const { return text.c_str(); }

    friend String operator+(const String &a, const String &b) { return a.text + b.text; }
    friend String operator+(const String &a, const char *b) { return a.text + b; }
    friend String operator+(const char *a, const String &b) { return a + b.text; }
    friend String operator+(const String &a, unsigned long long b) { return a + String(b); }
};

struct Line {
    std::deque<char> in;
    void begin(unsigned long) {}
    int available() const { return (int)in.size(); }
    int read()
    {
        char c = in.front();
        in.pop_front();
        return c;
    }
    void println(const String &text);
};
extern Line Serial;

uint32_t micros();
uint32_t millis();
void pinMode(int, int);
void digitalWrite(int pin, int level);
int analogRead(int);
void randomSeed(unsigned long);
long random(long);
inline int digitalPinToInterrupt(int pin) { return pin; }
void attachInterrupt(int, void (*)(), int);
