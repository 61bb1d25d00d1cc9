/*
 * The upper-case spelling on the board itself: the instructions, through the compiler's own arm_acle.h. Waits
 * do nothing, since a core that is emulated would never wake.
 */
#ifndef PREFLASH_INTRINSICS_ARM_H
#define PREFLASH_INTRINSICS_ARM_H

#include <stdint.h>

#include <arm_acle.h>

#define PF_FN static __inline__ __attribute__((always_inline, unused))

#ifdef __ARM_FEATURE_SAT
#define __SSAT(value, bits) __ssat((value), (bits))
#define __USAT(value, bits) __usat((value), (bits))
#endif
#ifdef __ARM_FEATURE_DSP
PF_FN int32_t __QADD(int32_t a, int32_t b) { return __qadd(a, b); }
PF_FN int32_t __QSUB(int32_t a, int32_t b) { return __qsub(a, b); }
PF_FN int32_t __SMMLA(int32_t a, int32_t b, int32_t c)
{
	int32_t out;

	__asm__("smmla %0, %1, %2, %3" : "=r"(out) : "r"(a), "r"(b), "r"(c));
	return out;
}
#endif

#ifdef __ARM_FEATURE_SIMD32
#define PF_TYPE_1(name, upper) PF_FN uint32_t __##upper(uint32_t a) { return (uint32_t)__##name(a); }
#define PF_TYPE_2(name, upper) \
	PF_FN uint32_t __##upper(uint32_t a, uint32_t b) { return (uint32_t)__##name(a, b); }
#define PF_TYPE_3(name, upper) \
	PF_FN uint32_t __##upper(uint32_t a, uint32_t b, uint32_t c) { return (uint32_t)__##name(a, b, c); }
#define PF_TYPE_L(name, upper) \
	PF_FN uint64_t __##upper(uint32_t a, uint32_t b, uint64_t c) { return (uint64_t)__##name(a, b, c); }
#define PF_EIGHT(p, P) \
	PF_TYPE_2(p##add16, P##ADD16) PF_TYPE_2(p##sub16, P##SUB16) PF_TYPE_2(p##asx, P##ASX) PF_TYPE_2(p##sax, P##SAX) \
	PF_TYPE_2(p##add8, P##ADD8) PF_TYPE_2(p##sub8, P##SUB8)
PF_EIGHT(s, S) PF_EIGHT(u, U) PF_EIGHT(q, Q) PF_EIGHT(uq, UQ) PF_EIGHT(sh, SH) PF_EIGHT(uh, UH)
PF_TYPE_2(sel, SEL) PF_TYPE_2(usad8, USAD8) PF_TYPE_2(sxtab16, SXTAB16) PF_TYPE_2(uxtab16, UXTAB16)
PF_TYPE_2(smuad, SMUAD) PF_TYPE_2(smuadx, SMUADX) PF_TYPE_2(smusd, SMUSD) PF_TYPE_2(smusdx, SMUSDX)
PF_TYPE_3(smlad, SMLAD) PF_TYPE_3(smladx, SMLADX) PF_TYPE_3(smlsd, SMLSD) PF_TYPE_3(smlsdx, SMLSDX)
PF_TYPE_3(usada8, USADA8)
PF_TYPE_L(smlald, SMLALD) PF_TYPE_L(smlaldx, SMLALDX) PF_TYPE_L(smlsld, SMLSLD) PF_TYPE_L(smlsldx, SMLSLDX)
PF_TYPE_1(sxtb16, SXTB16) PF_TYPE_1(uxtb16, UXTB16)
#define __SSAT16(value, bits) ((uint32_t)__ssat16((int16x2_t)(value), (bits)))
#define __USAT16(value, bits) ((uint32_t)__usat16((int16x2_t)(value), (bits)))
#endif

PF_FN uint8_t __CLZ(uint32_t a) { return a ? (uint8_t)__builtin_clz(a) : 32; }
PF_FN uint32_t __REV(uint32_t a) { return __builtin_bswap32(a); }
PF_FN uint32_t __REV16(uint32_t a) { return ((a & 0x00ff00ffu) << 8) | ((a >> 8) & 0x00ff00ffu); }
PF_FN int16_t __REVSH(int16_t a) { return (int16_t)__builtin_bswap16((uint16_t)a); }
PF_FN uint32_t __ROR(uint32_t a, uint32_t by) { return (a >> (by & 31u)) | (a << ((32u - by) & 31u)); }
PF_FN uint32_t __RBIT(uint32_t a)
{
#if __ARM_ARCH >= 7
	uint32_t out;

	__asm__("rbit %0, %1" : "=r"(out) : "r"(a));
	return out;
#else
	uint32_t out = 0;
	int i;

	for (i = 0; i < 32; i++)
		out |= (a >> i & 1u) << (31 - i);
	return out;
#endif
}
PF_FN uint32_t __PKHBT(uint32_t a, uint32_t b, uint32_t left)
{
	return (a & 0xffffu) | ((b << (left & 31u)) & 0xffff0000u);
}
PF_FN uint32_t __PKHTB(uint32_t a, uint32_t b, uint32_t right)
{
	return (a & 0xffff0000u) | ((uint32_t)((int32_t)b >> (right > 31u ? 31u : right)) & 0xffffu);
}

PF_FN void __DMB(void) { __asm__ volatile("dmb 0xf" ::: "memory"); }
PF_FN void __DSB(void) { __asm__ volatile("dsb 0xf" ::: "memory"); }
PF_FN void __ISB(void) { __asm__ volatile("isb 0xf" ::: "memory"); }
PF_FN void __NOP(void) { __asm__ volatile("nop"); }
PF_FN void __WFI(void) { __asm__ volatile("nop" ::: "memory"); }
PF_FN void __WFE(void) { __asm__ volatile("nop" ::: "memory"); }
PF_FN void __SEV(void) { __asm__ volatile("nop" ::: "memory"); }
PF_FN void __enable_irq(void) { __asm__ volatile("cpsie i" ::: "memory"); }
PF_FN void __disable_irq(void) { __asm__ volatile("cpsid i" ::: "memory"); }
PF_FN uint32_t __get_PRIMASK(void)
{
	uint32_t out;

	__asm__ volatile("mrs %0, primask" : "=r"(out));
	return out;
}
PF_FN void __set_PRIMASK(uint32_t a) { __asm__ volatile("msr primask, %0" ::"r"(a) : "memory"); }

#endif
