/*
 * Core intrinsics on the host in the upper-case spelling of the standard core headers (CMSIS-Core for
 * Cortex-M), with the words that those headers bring along. Exact; see intrinsics.h. Barriers, waits and
 * interrupt masks do nothing but count, masks read back as written, exclusive stores always succeed.
 * Included by stub headers, and before a source that uses such names undeclared.
 */
#ifndef PREFLASH_CORE_INTRINSICS_H
#define PREFLASH_CORE_INTRINSICS_H

#include "core_words.h"

#if defined(__arm__)
#include "intrinsics_arm.h"
#else

#include "intrinsics_simd.h"

#define PF_PAIR(lower, upper, type) \
	PF_FN uint32_t __##upper(uint32_t a, uint32_t b) { return pf_##lower(a, b); }
#define PF_TRIPLE(lower, upper, type) \
	PF_FN uint32_t __##upper(uint32_t a, uint32_t b, uint32_t c) { return pf_##lower(a, b, c); }
#define PF_LONG(lower, upper, type) \
	PF_FN uint64_t __##upper(uint32_t a, uint32_t b, uint64_t c) { return pf_##lower(a, b, c); }
PF_PAIR_LIST(PF_PAIR)
PF_TRIPLE_LIST(PF_TRIPLE)
PF_LONG_LIST(PF_LONG)
#undef PF_PAIR
#undef PF_TRIPLE
#undef PF_LONG

PF_FN int32_t __SSAT(int32_t a, uint32_t bits) { return pf_ssat(a, bits); }
PF_FN uint32_t __USAT(int32_t a, uint32_t bits) { return pf_usat(a, bits); }
PF_FN uint32_t __SSAT16(uint32_t a, uint32_t bits) { return pf_ssat16(a, bits); }
PF_FN uint32_t __USAT16(uint32_t a, uint32_t bits) { return pf_usat16(a, bits); }
PF_FN int32_t __QADD(int32_t a, int32_t b) { return pf_qadd(a, b); }
PF_FN int32_t __QSUB(int32_t a, int32_t b) { return pf_qsub(a, b); }
PF_FN int32_t __SMMLA(int32_t a, int32_t b, int32_t c) { return pf_smmla(a, b, c); }
PF_FN uint32_t __SXTB16(uint32_t a) { return pf_sxtb16(a); }
PF_FN uint32_t __UXTB16(uint32_t a) { return pf_uxtb16(a); }
PF_FN uint32_t __SXTB16_RORn(uint32_t a, uint32_t by) { return pf_sxtb16(pf_ror(a, by)); }
PF_FN uint32_t __SXTAB16_RORn(uint32_t a, uint32_t b, uint32_t by) { return pf_sxtab16(a, pf_ror(b, by)); }
PF_FN uint32_t __PKHBT(uint32_t a, uint32_t b, uint32_t left) { return pf_pkhbt(a, b, left); }
PF_FN uint32_t __PKHTB(uint32_t a, uint32_t b, uint32_t right) { return pf_pkhtb(a, b, right); }

PF_FN uint8_t __CLZ(uint32_t a) { return (uint8_t)pf_clz(a); }
PF_FN uint32_t __RBIT(uint32_t a) { return pf_rbit(a); }
PF_FN uint32_t __REV(uint32_t a) { return pf_rev(a); }
PF_FN uint32_t __REV16(uint32_t a) { return pf_rev16(a); }
PF_FN int16_t __REVSH(int16_t a) { return pf_revsh(a); }
PF_FN uint32_t __ROR(uint32_t a, uint32_t by) { return pf_ror(a, by); }

PF_FN void __DMB(void) { pf_barrier(); }
PF_FN void __DSB(void) { pf_barrier(); }
PF_FN void __ISB(void) { pf_barrier(); }
PF_FN void __NOP(void) { __asm__ volatile("" ::: "memory"); }
PF_FN void __WFI(void) { pf_wait(); }
PF_FN void __WFE(void) { pf_wait(); }
PF_FN void __SEV(void) { pf_wait(); }

PF_FN void __enable_irq(void) { pf_mask(&pf_core.primask, 0); }
PF_FN void __disable_irq(void) { pf_mask(&pf_core.primask, 1); }
PF_FN void __enable_fault_irq(void) { pf_mask(&pf_core.faultmask, 0); }
PF_FN void __disable_fault_irq(void) { pf_mask(&pf_core.faultmask, 1); }
PF_FN uint32_t __get_PRIMASK(void) { return pf_core.primask; }
PF_FN void __set_PRIMASK(uint32_t a) { pf_mask(&pf_core.primask, a & 1u); }
PF_FN uint32_t __get_FAULTMASK(void) { return pf_core.faultmask; }
PF_FN void __set_FAULTMASK(uint32_t a) { pf_mask(&pf_core.faultmask, a & 1u); }
PF_FN uint32_t __get_BASEPRI(void) { return pf_core.basepri; }
PF_FN void __set_BASEPRI(uint32_t a) { pf_mask(&pf_core.basepri, a & 0xffu); }
PF_FN uint32_t __get_CONTROL(void) { return pf_core.control; }
PF_FN void __set_CONTROL(uint32_t a) { pf_core.control = a; }
PF_FN uint32_t __get_FPSCR(void) { return pf_core.fpscr; }
PF_FN void __set_FPSCR(uint32_t a) { pf_core.fpscr = a; }
PF_FN uint32_t __get_IPSR(void) { return 0; }
PF_FN uint32_t __get_APSR(void) { return pf_core.q << 27 | pf_core.ge << 16; }

#define PF_EXCLUSIVE(letter, type) \
	PF_FN type __LDREX##letter(volatile type *at) { pf_core.exclusives++; return *at; } \
	PF_FN uint32_t __STREX##letter(type value, volatile type *at) { *at = value; return 0; }
PF_EXCLUSIVE(B, uint8_t)
PF_EXCLUSIVE(H, uint16_t)
PF_EXCLUSIVE(W, uint32_t)
#undef PF_EXCLUSIVE
PF_FN void __CLREX(void) { }

#endif
#endif
