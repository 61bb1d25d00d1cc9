/*
 * The frequency of a rendered signal by the slope of its phase.
 *
 * Method: the signal is multiplied by a turning phasor of about its own frequency and weighted by sin^8 over
 * L = 8 periods (a window of the Rife-Vincent family: D. C. Rife, G. A. Vincent, Use of the discrete Fourier transform in
 * the measurement of frequencies and levels of tones, Bell System Technical Journal 49, 1970). Three such windows begin at
 * 0, L/4 and L/2; the turn of the phase between the first and the last, over L/2 samples, is the frequency. A window one
 * sample on says how many whole turns to add.
 * Own error: what lies a whole number x of bins (1/L) away enters by sin(pi x)/(pi x) * prod k^2/(x^2 - k^2), k = 1..4:
 * 2.3e-6 times sin(pi x) for a direct part or a second harmonic, x = 8; less for the rest. An alias between harmonics can
 * enter by more: it bends the line through the three phases. Where four times that bend is worth more than doubt_cents,
 * the answer is NaN: not measured. An alias right beside the pitch beats too slowly to bend anything, and of size e (of the
 * pitch's) turns the phase by 2 e at most: 138 e cents over four periods. How much there can be is told by the rest of the
 * signal: what is no sine at all, in the grain of quantisation (its lines share it among the samples of a period), or what
 * reaches up to half the rate, from where aliases come. Where that is worth more than doubt_cents it is NaN too. Silence, and samples that are no numbers, give infinity: there is no pitch.
 */
#include "pitch_measure.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

enum { LANES = 8, PERIODS = 8, CHUNK = 1024, MOST = 1 << 17, LEAST = 64, WINDOWS = 4 };
/* Mean of sin^8, and its variance in parts of its length squared. The other two stand for 138 cents times what one line can
   be of all: quantisation makes about as many lines as a period has samples (450 was the most in 20 000 trials, beside
   whole and half numbers of samples too); about a tenth of them lie in the highest part of the spectrum. */
#define AREA (35.0 / 128)
#define SPREAD 0.0112123519
#define ALIAS_CENTS 1600.0
#define GRAIN_CENTS 600.0
#define OVERTONES 0.01
typedef double four __attribute__((vector_size(32)));
typedef double four_anywhere __attribute__((vector_size(32), aligned(8)));
static const double TURN = 6.283185307179586476925;
static double samples[MOST], level[MOST]; /* level: samples without their mean */
static double real[MOST] __attribute__((aligned(32))), imaginary[MOST] __attribute__((aligned(32)));
static double shape[MOST] __attribute__((aligned(32))); /* the window alone */
static double weighted_turns; /* what real and imaginary hold */
static long weighted_length;

/* real + i imaginary = window * exp(-i * turn_per_sample * n), lanes side by side so that the compiler can use vectors. */
static void weights(long length, double turns_per_sample)
{
    double cr[LANES], ci[LANES], wr[LANES], wi[LANES];
    if (length == weighted_length && turns_per_sample == weighted_turns)
        return;
    weighted_length = length;
    weighted_turns = turns_per_sample;
    const double a = -TURN * turns_per_sample * LANES, b = TURN / (double)length * LANES;
    const double ar = cos(a), ai = sin(a), br = cos(b), bi = sin(b);
    for (int k = 0; k < LANES; k++) {
        cr[k] = cos(-TURN * turns_per_sample * k);
        ci[k] = sin(-TURN * turns_per_sample * k);
        wr[k] = cos(TURN / (double)length * k);
        wi[k] = sin(TURN / (double)length * k);
    }
    for (long n = 0; n < length; n += LANES)
        for (int k = 0; k < LANES; k++) {
            double s = 0.5 - 0.5 * wr[k], next;
            s *= s;
            s *= s;
            shape[n + k] = s;
            real[n + k] = s * cr[k];
            imaginary[n + k] = s * ci[k];
            next = cr[k] * ar - ci[k] * ai;
            ci[k] = cr[k] * ai + ci[k] * ar;
            cr[k] = next;
            next = wr[k] * br - wi[k] * bi;
            wi[k] = wr[k] * bi + wi[k] * br;
            wr[k] = next;
        }
}

/* The weighted sums of four windows at once, so that samples and weights are fetched once. */
static void windows(const double *x, const long *starts, long length, double *re, double *im)
{
    four sr[WINDOWS] = {{0}}, si[WINDOWS] = {{0}};
    for (long n = 0; n < length; n += 4) {
        const four r = *(const four *)(real + n), i = *(const four *)(imaginary + n);
        for (int k = 0; k < WINDOWS; k++) {
            const four at = *(const four_anywhere *)(x + starts[k] + n);
            sr[k] += at * r;
            si[k] += at * i;
        }
    }
    for (int k = 0; k < WINDOWS; k++) {
        re[k] = (sr[k][0] + sr[k][1]) + (sr[k][2] + sr[k][3]);
        im[k] = (si[k][0] + si[k][1]) + (si[k][2] + si[k][3]);
    }
}

static double angle(double ar, double ai, double br, double bi)
{
    return atan2(ai * br - ar * bi, ar * br + ai * bi); /* of a times the conjugate of b */
}

struct found {
    double turns, bend, size; /* turns per sample */
    double grows; /* by what part of itself the size grows from one end of the window to the other */
    long length;
};

static long length_for(double turns_per_sample, long count)
{
    long length = (long)(PERIODS / turns_per_sample + 0.5);
    if (length < LEAST)
        length = LEAST;
    length = (length + 31) / 32 * 32;
    return length + length / 2 + 1 > count ? (count - 1) * 2 / 3 / 32 * 32 : length;
}

static struct found at(const double *x, long count, double turns_per_sample)
{
    const long length = length_for(turns_per_sample, count), quarter = length / 4;
    double r[WINDOWS], i[WINDOWS];
    const long starts[WINDOWS] = {0, 1, quarter, 2 * quarter};
    struct found f;
    /* A phasor of whole turns in the window serves all frequencies that have this length, and sees no direct part at all. */
    const int whole = fabs(turns_per_sample * (double)length - PERIODS) < 0.25;
    f.length = length;
    weights(length, whole ? PERIODS / (double)length : turns_per_sample);
    windows(x, starts, length, r, i);
    const double coarse = angle(r[1], i[1], r[0], i[0]) / TURN;
    const double half = angle(r[3], i[3], r[0], i[0]) / TURN, first = angle(r[2], i[2], r[0], i[0]) / TURN;
    f.turns = (rint(coarse * 2 * quarter - half) + half) / (double)(2 * quarter);
    f.bend = half - 2 * first;
    f.bend = fabs(f.bend - rint(f.bend)) * TURN;
    /* What four times the bend is worth, in turns over the distance. */
    f.bend = 4 * f.bend / TURN / (double)(2 * quarter);
    f.size = hypot(r[0], i[0]) * 2 / ((double)length * AREA);
    f.grows = 2 * (hypot(r[3], i[3]) / hypot(r[0], i[0]) - 1);
    return f;
}

static four same(double value)
{
    return (four){value, value, value, value};
}

/* What is no sine of slowly changing size, as a share (of amplitudes, root mean square) of the sine that was found: it is
   fitted within the window, whose side lobes leave some 3e-6 of it, and less when it is fitted to what is left; enough: a
   share that need not be known more exactly. */
static double unlike_a_sine(const double *x, const struct found *f, double enough)
{
    const double area = (double)f->length * AREA, by = TURN * f->turns;
    double a = 0, b = 0, mean = 0, share = 1;
    if (f->length != weighted_length)
        weights(f->length, PERIODS / (double)f->length);
    for (int pass = 0; pass < 3 && share > enough; pass++) {
        const four cr = same(cos(by * 8)), ci = same(sin(by * 8)), as = same(a), bs = same(b), means = same(mean);
        const double size = a * a + b * b;
        four c[2], s[2], with_c[2] = {{0}}, with_s[2] = {{0}}, alone[2] = {{0}}, squares[2] = {{0}};
        double power = 0;
        for (int k = 0; k < 8; k++) {
            c[k / 4][k % 4] = cos(by * k);
            s[k / 4][k % 4] = sin(by * k);
        }
        for (long n = 0; n < f->length; n += 8)
            for (int k = 0; k < 2; k++) {
                const four left = *(const four_anywhere *)(x + n + 4 * k) - means - as * c[k] - bs * s[k];
                const four part = *(const four *)(shape + n + 4 * k) * left, next = c[k] * cr - s[k] * ci;
                with_c[k] += part * c[k];
                with_s[k] += part * s[k];
                alone[k] += part;
                squares[k] += part * left;
                s[k] = s[k] * cr + c[k] * ci;
                c[k] = next;
            }
        for (int k = 0; k < 8; k++) {
            power += squares[k / 4][k % 4] * 2 / area;
            a += with_c[k / 4][k % 4] * 2 / area;
            b += with_s[k / 4][k % 4] * 2 / area;
            mean += alone[k / 4][k % 4] / area;
        }
        if (pass > 0) {
            const double square = power / size - f->grows * f->grows * SPREAD;
            share = square > 0 ? sqrt(square) : 0;
        }
    }
    return share;
}

static void differences(const double *x, double *y, long count)
{
    for (long n = 0; n < count - 8; n++)
        y[n] = (70 * x[n + 4] - 56 * (x[n + 3] + x[n + 5]) + 28 * (x[n + 2] + x[n + 6]) - 8 * (x[n + 1] + x[n + 7]) + x[n] +
                x[n + 8]) / 256;
}

/* Amplitude of what lies near half the rate, as a share of the sine: sixteen differences, sin^16 of the frequency. */
static double near_the_top(const double *x, const struct found *f)
{
    static double once[MOST], twice[MOST];
    double power = 0;
    differences(x, once, f->length);
    differences(once, twice, f->length - 8);
    for (long n = 0; n < f->length - 16; n++)
        power += twice[n] * twice[n];
    return sqrt(2 * power / (double)(f->length - 16)) / f->size;
}

/* Cents by which aliases beside the pitch could shift it unseen. */
static double unseen_cents(const double *x, const struct found *f, double enough)
{
    const double lines = sqrt(f->turns), share = unlike_a_sine(x, f, enough / GRAIN_CENTS / lines);
    const double grain = GRAIN_CENTS * share * lines;
    /* Overtones are no grain: what reaches the top tells of their aliases. */
    return grain > enough && share > OVERTONES ? fmin(grain, ALIAS_CENTS * near_the_top(x, f) * lines) : grain;
}

static double by_crossings(const double *x, long count)
{
    double first = -1, last = -1;
    long periods = -1;
    for (long n = 1; n < count; n++)
        if (x[n - 1] < 0 && x[n] >= 0) {
            last = (double)n - x[n] / (x[n] - x[n - 1]);
            first = periods < 0 ? last : first;
            periods++;
        }
    return periods > 0 ? (double)periods / (last - first) : 0;
}

/* The mean, and what is left without it, squared: side by side, so that no sum waits for the one before. */
static double without_mean(const double *x, long count, double *power)
{
    double sums[LANES] = {0}, squares[LANES] = {0}, mean = 0;
    const long whole = count / LANES * LANES;
    for (long n = 0; n < whole; n += LANES)
        for (int k = 0; k < LANES; k++)
            sums[k] += x[n + k];
    for (long n = whole; n < count; n++)
        sums[n - whole] += x[n];
    for (int k = 0; k < LANES; k++)
        mean += sums[k];
    mean /= (double)count;
    for (long n = 0; n < whole; n += LANES)
        for (int k = 0; k < LANES; k++) {
            level[n + k] = x[n + k] - mean;
            squares[k] += level[n + k] * level[n + k];
        }
    for (long n = whole; n < count; n++) {
        level[n] = x[n] - mean;
        squares[n - whole] += level[n] * level[n];
    }
    *power = 0;
    for (int k = 0; k < LANES; k++)
        *power += squares[k] / (double)count;
    return mean;
}

/* Turns per sample; NaN: not measured that exactly, infinity: no pitch. near: about how many; rough: what they are roughly,
   whether or not they were measured, 0 where nothing says it. */
static double turns_of(const double *x, long count, double near, double doubt_cents, double *rough)
{
    double power;
    const double mean = without_mean(x, count, &power);
    struct found best;
    *rough = 0;
    if (!isfinite(power) || power <= 1e-24 * (1 + mean * mean))
        return INFINITY;
    best = at(level, count, near);
    if (best.size * best.size < 0.2 * power) { /* less than a tenth of it lies near the frequency asked for */
        const double other = by_crossings(level, count);
        if (other * (double)count > 3) {
            struct found second = at(level, count, other);
            /* A sound whose own pitch is weak beside its overtones is not one of another pitch. */
            const int weak = best.size > 0.01 * second.size && fabs(best.turns / near - 1) < 0.2;
            if (second.size > best.size && !weak) {
                best = second;
                near = other;
            }
        }
    }
    for (int again = 0; again < 3 && best.turns > 3.0 / (double)count && fabs(best.turns / near - 1) > 0.002; again++) {
        near = best.turns;
        best = at(level, count, near);
    }
    if (!(best.turns > 0) || best.size * best.size < 0.02 * power)
        return NAN;
    *rough = best.turns;
    if (best.bend / best.turns > doubt_cents * 5.776e-4) /* ln 2 / 1200, towards zero */
        return NAN;
    return unseen_cents(level, &best, doubt_cents) <= doubt_cents ? best.turns : NAN;
}

/* For signals that come from elsewhere. Hz; near_hz > 0. */
__attribute__((visibility("default"))) double pf_pitch_of(const double *x, long count, double rate_hz, double near_hz,
                                                         double doubt_cents)
{
    double rough;
    if (count < LEAST + LEAST / 2 + 1 || count > MOST)
        return NAN;
    return rate_hz * turns_of(x, count, near_hz / rate_hz, doubt_cents, &rough);
}

/* How many samples are measured; 0 where they would be too many. */
__attribute__((visibility("default"))) long pf_pitch_samples(double rate_hz, double near_hz)
{
    const double turns = near_hz / rate_hz;
    if (!(turns * (MOST - 200) > PERIODS * 1.5))
        return 0;
    const long length = length_for(turns, MOST);
    return length + length / 2 + 1;
}

#define TAKEN(kind) \
    for (long k = 0; k < n; k++) \
        to[k] = (double)((const kind *)raw)[k]; \
    break

static void taken(const void *raw, int type, double *to, long n)
{
    switch (type) {
    case 0: TAKEN(float);
    case 1: TAKEN(double);
    case 2: TAKEN(int8_t);
    case 3: TAKEN(uint8_t);
    case 4: TAKEN(int16_t);
    case 5: TAKEN(uint16_t);
    case 6: TAKEN(int32_t);
    case 7: TAKEN(uint32_t);
    case 8: TAKEN(int64_t);
    default: TAKEN(uint64_t);
    }
}

static double rendered_hz(const struct pf_voice *voice, const void *argument, double near_hz, double *rough)
{
    const long wanted = pf_pitch_samples(voice->rate_hz, near_hz);
    const long size = voice->size();
    char *memory = __builtin_alloca((size_t)size + 128);
    double room[CHUNK * 8];
    void *outputs[8];
    volatile long progress[3] = {0, 0, 0};
    const void *inputs[1] = {0};
    *rough = 0;
    if (!wanted)
        return NAN;
    memory = (char *)(((uintptr_t)memory + 63) & ~(uintptr_t)63);
    memset(memory, 0, (size_t)size + 1);
    for (long k = 0; k < 8; k++)
        outputs[k] = room + CHUNK * k;
    voice->init(memory, voice->rate_hz);
    for (long k = 0; k < voice->befores; k++)
        voice->event(memory, voice->before[k].which, voice->before[k].arguments);
    const float rate_hz = (float)voice->rate_hz;
    const void *const given[] = {argument, &rate_hz};
    voice->event(memory, voice->which, given);
    for (long done = 0; done < voice->skip + wanted;) {
        const long left = (done < voice->skip ? voice->skip : voice->skip + wanted) - done;
        const long n = left < CHUNK ? left : CHUNK;
        voice->run(memory, inputs, outputs, n, progress);
        if (done >= voice->skip)
            taken(outputs[voice->measured], voice->types[voice->measured], samples + (done - voice->skip), n);
        done += n;
    }
    voice->destroy(memory);
    return voice->rate_hz * turns_of(samples, wanted, near_hz / voice->rate_hz, voice->doubt_cents, rough);
}

double pf_voice_hz(const struct pf_voice *voice, const void *argument, double value)
{
    const double asked_hz = fabs(value) * voice->hz_per_unit;
    double rough, found = rendered_hz(voice, argument, asked_hz, &rough);
    /* Far below what was asked for, the samples were too few: once more for the pitch that it has. */
    if (isnan(found) && rough > 0 && rough * voice->rate_hz < 0.8 * asked_hz)
        found = rendered_hz(voice, argument, rough * voice->rate_hz, &rough);
    return found;
}
