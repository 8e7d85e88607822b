// Just enough of what a sketch expects around it to run one on this machine, in virtual time.
#pragma once

#include <cstdint>
#include <deque>
#include <string>

enum { LOW, HIGH, OUTPUT, RISING, HEX = 16 };
typedef uint8_t byte;

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
    char operator[](unsigned at) const { return at < length() ? text[at] : 0; }
    String substring(unsigned from) const { return text.substr(from); }
    String substring(unsigned from, unsigned to) const { return text.substr(from, to - from); }
    int lastIndexOf(char c) const { return (int)text.rfind(c); }
    bool startsWith(const char *with) const { return text.rfind(with, 0) == 0; }
    bool operator!=(const String &other) const { return text != other.text; }
    bool endsWith(const String &with) const
    {
        return length() >= with.length() && !text.compare(length() - with.length(), with.length(), with.text);
    }
    void trim()
    {
        while (!text.empty() && isspace((unsigned char)text.back()))
            text.pop_back();
        while (!text.empty() && isspace((unsigned char)text.front()))
            text.erase(0, 1);
    }
    void operator+=(char c) { text += c; }
    const char *begin() const { return text.c_str(); }
    const char *end() const { return begin() + length(); }

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
    void println(const String &text = "");
};
extern Line Serial;

uint32_t micros();
uint32_t millis();
void pinMode(int, int);
void digitalWrite(int pin, int level);
inline int digitalPinToInterrupt(int pin) { return pin; }
void attachInterrupt(int, void (*)(), int);
// The handler runs only while time passes, never between two statements.
inline void noInterrupts() {}
inline void interrupts() {}
