/*
 * Core intrinsics on the host, part 1: what the instructions of an Armv7-M, Armv8-M core with the DSP
 * extension do, in plain C without undefined behaviour. arm_acle.h and core_intrinsics.h give these
 * functions their two usual spellings.
 *
 * Formulas: Armv7-M Architecture Reference Manual, chapter A7.7 (pseudocode of each instruction).
 * Q, GE, the interrupt masks and FPSCR are kept per thread: they are registers, not the firmware's memory.
 */
#ifndef PREFLASH_INTRINSICS_H
#define PREFLASH_INTRINSICS_H

#include <stdint.h>

/* Inlined everywhere, emitted nowhere: neither code nor debug information where nobody calls them. */
#define PF_FN extern __inline__ __attribute__((gnu_inline, always_inline))

struct pf_core {
	uint32_t q, ge;                                           /* APSR.Q; APSR.GE, bit 0 is byte 0 */
	uint32_t primask, basepri, faultmask, control, fpscr;     /* as last written, without effect */
	uint32_t barriers, mask_changes, waits, exclusives;       /* calls seen */
};

#ifdef __cplusplus
extern "C" {
#endif
/* Weak: every unit brings it, the library holds one. */
__attribute__((weak, tls_model("initial-exec"))) __thread struct pf_core pf_core;
#ifdef __cplusplus
}
#endif

/* ---- saturation ---- */

PF_FN int32_t pf_clamp(int64_t value, int64_t low, int64_t high)
{
	if (value < low || value > high) {
		pf_core.q = 1;
		return (int32_t)(value < low ? low : high);
	}
	return (int32_t)value;
}

PF_FN int64_t pf_between(int64_t value, int64_t low, int64_t high)
{
	return value < low ? low : value > high ? high : value;
}

/* bits 1 to 32 */
PF_FN int32_t pf_ssat(int32_t value, uint32_t bits)
{
	int64_t top;

	if (bits < 1)
		bits = 1;
	if (bits > 32)
		bits = 32;
	top = ((int64_t)1 << (bits - 1)) - 1;
	return pf_clamp(value, -top - 1, top);
}

/* bits 0 to 31 */
PF_FN uint32_t pf_usat(int32_t value, uint32_t bits)
{
	if (bits > 31)
		bits = 31;
	return (uint32_t)pf_clamp(value, 0, ((int64_t)1 << bits) - 1);
}

PF_FN int32_t pf_word(int64_t value)
{
	return pf_clamp(value, INT32_MIN, INT32_MAX);
}

PF_FN int32_t pf_qadd(int32_t a, int32_t b) { return pf_word((int64_t)a + b); }
PF_FN int32_t pf_qsub(int32_t a, int32_t b) { return pf_word((int64_t)a - b); }
PF_FN int32_t pf_qdbl(int32_t a) { return pf_word((int64_t)a * 2); }

/* The low 32 bits; Q is set when they are not the whole. */
PF_FN int32_t pf_wrap_q(int64_t value)
{
	int32_t low = (int32_t)(uint32_t)(uint64_t)value;

	if (low != value)
		pf_core.q = 1;
	return low;
}

/* ---- multiplication of halves: B is the low half, T the high half ---- */

PF_FN int32_t pf_b(uint32_t a) { return (int16_t)(a & 0xffffu); }
PF_FN int32_t pf_t(uint32_t a) { return (int16_t)(a >> 16); }

PF_FN int32_t pf_smulbb(int32_t a, int32_t b) { return pf_b((uint32_t)a) * pf_b((uint32_t)b); }
PF_FN int32_t pf_smulbt(int32_t a, int32_t b) { return pf_b((uint32_t)a) * pf_t((uint32_t)b); }
PF_FN int32_t pf_smultb(int32_t a, int32_t b) { return pf_t((uint32_t)a) * pf_b((uint32_t)b); }
PF_FN int32_t pf_smultt(int32_t a, int32_t b) { return pf_t((uint32_t)a) * pf_t((uint32_t)b); }

/* bits 47 to 16 of the 48-bit product */
PF_FN int32_t pf_smulwb(int32_t a, int32_t b)
{
	return (int32_t)(uint32_t)((uint64_t)((int64_t)a * pf_b((uint32_t)b)) >> 16);
}

PF_FN int32_t pf_smulwt(int32_t a, int32_t b)
{
	return (int32_t)(uint32_t)((uint64_t)((int64_t)a * pf_t((uint32_t)b)) >> 16);
}

PF_FN int32_t pf_smlabb(int32_t a, int32_t b, int32_t c) { return pf_wrap_q((int64_t)pf_smulbb(a, b) + c); }
PF_FN int32_t pf_smlabt(int32_t a, int32_t b, int32_t c) { return pf_wrap_q((int64_t)pf_smulbt(a, b) + c); }
PF_FN int32_t pf_smlatb(int32_t a, int32_t b, int32_t c) { return pf_wrap_q((int64_t)pf_smultb(a, b) + c); }
PF_FN int32_t pf_smlatt(int32_t a, int32_t b, int32_t c) { return pf_wrap_q((int64_t)pf_smultt(a, b) + c); }
PF_FN int32_t pf_smlawb(int32_t a, int32_t b, int32_t c) { return pf_wrap_q((int64_t)pf_smulwb(a, b) + c); }
PF_FN int32_t pf_smlawt(int32_t a, int32_t b, int32_t c) { return pf_wrap_q((int64_t)pf_smulwt(a, b) + c); }

/* bits 63 to 32 of c * 2^32 + a * b */
PF_FN int32_t pf_smmla(int32_t a, int32_t b, int32_t c)
{
	return (int32_t)(uint32_t)((((uint64_t)(uint32_t)c << 32) + (uint64_t)((int64_t)a * b)) >> 32);
}

/* ---- bits and bytes ---- */

PF_FN uint32_t pf_clz(uint32_t a) { return a ? (uint32_t)__builtin_clz(a) : 32u; }
PF_FN uint32_t pf_clz64(uint64_t a) { return a ? (uint32_t)__builtin_clzll(a) : 64u; }
PF_FN uint32_t pf_cls(uint32_t a) { return pf_clz(((a >> 31) ? ~a : a)) - 1u; }
PF_FN uint32_t pf_cls64(uint64_t a) { return pf_clz64(((a >> 63) ? ~a : a)) - 1u; }
PF_FN uint32_t pf_rev(uint32_t a) { return __builtin_bswap32(a); }
PF_FN uint64_t pf_rev64(uint64_t a) { return __builtin_bswap64(a); }
PF_FN uint32_t pf_rev16(uint32_t a) { return ((a & 0x00ff00ffu) << 8) | ((a >> 8) & 0x00ff00ffu); }
PF_FN int16_t pf_revsh(int16_t a) { return (int16_t)__builtin_bswap16((uint16_t)a); }
PF_FN uint32_t pf_ror(uint32_t a, uint32_t by) { return (a >> (by & 31u)) | (a << ((32u - by) & 31u)); }
PF_FN uint64_t pf_ror64(uint64_t a, uint32_t by) { return (a >> (by & 63u)) | (a << ((64u - by) & 63u)); }

PF_FN uint32_t pf_rbit(uint32_t a)
{
	a = ((a & 0x55555555u) << 1) | ((a >> 1) & 0x55555555u);
	a = ((a & 0x33333333u) << 2) | ((a >> 2) & 0x33333333u);
	a = ((a & 0x0f0f0f0fu) << 4) | ((a >> 4) & 0x0f0f0f0fu);
	return __builtin_bswap32(a);
}

PF_FN uint64_t pf_rbit64(uint64_t a)
{
	return ((uint64_t)pf_rbit((uint32_t)a) << 32) | pf_rbit((uint32_t)(a >> 32));
}

/* ---- what has no effect on one thread of a host: counted, and the compiler must not move memory over it ---- */

PF_FN void pf_barrier(void) { pf_core.barriers++; __asm__ volatile("" ::: "memory"); }
PF_FN void pf_wait(void) { pf_core.waits++; __asm__ volatile("" ::: "memory"); }
PF_FN void pf_mask(uint32_t *mask, uint32_t value)
{
	pf_core.mask_changes++;
	*mask = value;
	__asm__ volatile("" ::: "memory");
}

#endif
