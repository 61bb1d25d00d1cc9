/*
 * Core intrinsics on the host in the lower-case spelling of the Arm C Language Extensions (ACLE, sections
 * "Hints", "Saturating", "DSP" and "32-bit SIMD intrinsics", "Data-processing intrinsics"). Exact; see
 * intrinsics.h. An unsigned long is taken for the board's, 32 bits.
 */
#if defined(__arm__)
#include_next <arm_acle.h> /* the board's compiler has the instructions themselves */
#elif !defined(PREFLASH_ARM_ACLE_H)
#define PREFLASH_ARM_ACLE_H

#include "intrinsics_simd.h"

typedef int32_t int8x4_t;
typedef uint32_t uint8x4_t;
typedef int32_t int16x2_t;
typedef uint32_t uint16x2_t;

#define PF_PAIR(lower, upper, type) \
	PF_FN type __##lower(type a, type b) { return (type)pf_##lower((uint32_t)a, (uint32_t)b); }
#define PF_TRIPLE(lower, upper, type) \
	PF_FN type __##lower(type a, type b, type c) \
	{ return (type)pf_##lower((uint32_t)a, (uint32_t)b, (uint32_t)c); }
#define PF_LONG(lower, upper, type) \
	PF_FN type __##lower(int32_t a, int32_t b, type c) \
	{ return (type)pf_##lower((uint32_t)a, (uint32_t)b, (uint64_t)c); }
PF_PAIR_LIST(PF_PAIR)
PF_TRIPLE_LIST(PF_TRIPLE)
PF_LONG_LIST(PF_LONG)
#undef PF_PAIR
#undef PF_TRIPLE
#undef PF_LONG

PF_FN int32_t __ssat(int32_t a, uint32_t bits) { return pf_ssat(a, bits); }
PF_FN uint32_t __usat(int32_t a, uint32_t bits) { return pf_usat(a, bits); }
PF_FN int16x2_t __ssat16(int16x2_t a, uint32_t bits) { return (int16x2_t)pf_ssat16((uint32_t)a, bits); }
PF_FN int16x2_t __usat16(int16x2_t a, uint32_t bits) { return (int16x2_t)pf_usat16((uint32_t)a, bits); }
PF_FN int16x2_t __sxtb16(int8x4_t a) { return (int16x2_t)pf_sxtb16((uint32_t)a); }
PF_FN uint16x2_t __uxtb16(uint8x4_t a) { return pf_uxtb16(a); }

#define PF_SIGNED2(name) PF_FN int32_t __##name(int32_t a, int32_t b) { return pf_##name(a, b); }
#define PF_SIGNED3(name) PF_FN int32_t __##name(int32_t a, int32_t b, int32_t c) { return pf_##name(a, b, c); }
PF_SIGNED2(qadd)
PF_SIGNED2(qsub)
PF_SIGNED2(smulbb)
PF_SIGNED2(smulbt)
PF_SIGNED2(smultb)
PF_SIGNED2(smultt)
PF_SIGNED2(smulwb)
PF_SIGNED2(smulwt)
PF_SIGNED3(smlabb)
PF_SIGNED3(smlabt)
PF_SIGNED3(smlatb)
PF_SIGNED3(smlatt)
PF_SIGNED3(smlawb)
PF_SIGNED3(smlawt)
#undef PF_SIGNED2
#undef PF_SIGNED3
PF_FN int32_t __qdbl(int32_t a) { return pf_qdbl(a); }

PF_FN int __saturation_occurred(void) { return (int)pf_core.q; }
PF_FN void __set_saturation_occurred(int occurred) { pf_core.q = occurred ? 1u : 0u; }
PF_FN void __ignore_saturation(void) { }

PF_FN unsigned __clz(uint32_t a) { return pf_clz(a); }
PF_FN unsigned __clzl(unsigned long a) { return pf_clz((uint32_t)a); }
PF_FN unsigned __clzll(uint64_t a) { return pf_clz64(a); }
PF_FN unsigned __cls(uint32_t a) { return pf_cls(a); }
PF_FN unsigned __clsl(unsigned long a) { return pf_cls((uint32_t)a); }
PF_FN unsigned __clsll(uint64_t a) { return pf_cls64(a); }
PF_FN uint32_t __rev(uint32_t a) { return pf_rev(a); }
PF_FN unsigned long __revl(unsigned long a) { return pf_rev((uint32_t)a); }
PF_FN uint64_t __revll(uint64_t a) { return pf_rev64(a); }
PF_FN uint32_t __rev16(uint32_t a) { return pf_rev16(a); }
PF_FN unsigned long __rev16l(unsigned long a) { return pf_rev16((uint32_t)a); }
PF_FN uint64_t __rev16ll(uint64_t a)
{
	return ((uint64_t)pf_rev16((uint32_t)(a >> 32)) << 32) | pf_rev16((uint32_t)a);
}
PF_FN int16_t __revsh(int16_t a) { return pf_revsh(a); }
PF_FN uint32_t __rbit(uint32_t a) { return pf_rbit(a); }
PF_FN unsigned long __rbitl(unsigned long a) { return pf_rbit((uint32_t)a); }
PF_FN uint64_t __rbitll(uint64_t a) { return pf_rbit64(a); }
PF_FN uint32_t __ror(uint32_t a, uint32_t by) { return pf_ror(a, by); }
PF_FN unsigned long __rorl(unsigned long a, uint32_t by) { return pf_ror((uint32_t)a, by); }
PF_FN uint64_t __rorll(uint64_t a, uint32_t by) { return pf_ror64(a, by); }

PF_FN void __dmb(unsigned kind) { (void)kind; pf_barrier(); }
PF_FN void __dsb(unsigned kind) { (void)kind; pf_barrier(); }
PF_FN void __isb(unsigned kind) { (void)kind; pf_barrier(); }
PF_FN void __wfi(void) { pf_wait(); }
PF_FN void __wfe(void) { pf_wait(); }
PF_FN void __sev(void) { pf_wait(); }
PF_FN void __sevl(void) { pf_wait(); }
PF_FN void __yield(void) { pf_wait(); }
PF_FN void __nop(void) { __asm__ volatile("" ::: "memory"); }

#endif
