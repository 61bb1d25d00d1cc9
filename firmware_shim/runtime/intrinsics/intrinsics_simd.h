/*
 * Core intrinsics on the host, part 2: instructions on two halves or four bytes of a word, and the sums of
 * products of halves. Same rules and source as intrinsics.h. Two-word lists at the end name every function
 * once, as LIST(lower-case name, upper-case name, type of the lower-case form).
 */
#ifndef PREFLASH_INTRINSICS_SIMD_H
#define PREFLASH_INTRINSICS_SIMD_H

#include "intrinsics.h"

#define PF_S16(a, lane) ((int32_t)(int16_t)(((a) >> (16 * (lane))) & 0xffffu))
#define PF_U16(a, lane) ((int32_t)(((a) >> (16 * (lane))) & 0xffffu))
#define PF_S8(a, lane)  ((int32_t)(int8_t)(((a) >> (8 * (lane))) & 0xffu))
#define PF_U8(a, lane)  ((int32_t)(((a) >> (8 * (lane))) & 0xffu))

#define PF_WRAPPED(r) (r)
#define PF_HALVED(r)  ((r) >> 1)
#define PF_SAT_S16(r) ((int32_t)pf_between((r), -32768, 32767))
#define PF_SAT_U16(r) ((int32_t)pf_between((r), 0, 65535))
#define PF_SAT_S8(r)  ((int32_t)pf_between((r), -128, 127))
#define PF_SAT_U8(r)  ((int32_t)pf_between((r), 0, 255))

/* GE of a lane: not negative; for unsigned sums, carry out of the lane. */
#define PF_NOT_NEGATIVE(r) ((r) >= 0)
#define PF_CARRY16(r)      ((r) > 0xffff)
#define PF_CARRY8(r)       ((r) > 0xff)
#define PF_SET_GE(low, high) (pf_core.ge = ((low) ? 3u : 0u) | ((high) ? 12u : 0u))
#define PF_KEEP_GE(low, high) ((void)0)
#define PF_NO_FLAG(r) 0

PF_FN uint32_t pf_pack16(int32_t low, int32_t high)
{
	return ((uint32_t)low & 0xffffu) | ((uint32_t)high << 16);
}

/* low = a0 LOW b[in low]; high = a1 HIGH b[in high] */
#define PF_HALVES(name, view, LOW, in_low, HIGH, in_high, finish, set, flag_low, flag_high) \
	PF_FN uint32_t pf_##name(uint32_t a, uint32_t b) \
	{ \
		int32_t low = view(a, 0) LOW view(b, in_low); \
		int32_t high = view(a, 1) HIGH view(b, in_high); \
		set(flag_low(low), flag_high(high)); \
		return pf_pack16(finish(low), finish(high)); \
	}
#define PF_FOUR16(prefix, view, finish, set, sum, difference) \
	PF_HALVES(prefix##add16, view, +, 0, +, 1, finish, set, sum, sum) \
	PF_HALVES(prefix##sub16, view, -, 0, -, 1, finish, set, difference, difference) \
	PF_HALVES(prefix##asx, view, -, 1, +, 0, finish, set, difference, sum) \
	PF_HALVES(prefix##sax, view, +, 1, -, 0, finish, set, sum, difference)

PF_FOUR16(s, PF_S16, PF_WRAPPED, PF_SET_GE, PF_NOT_NEGATIVE, PF_NOT_NEGATIVE)
PF_FOUR16(u, PF_U16, PF_WRAPPED, PF_SET_GE, PF_CARRY16, PF_NOT_NEGATIVE)
PF_FOUR16(sh, PF_S16, PF_HALVED, PF_KEEP_GE, PF_NO_FLAG, PF_NO_FLAG)
PF_FOUR16(uh, PF_U16, PF_HALVED, PF_KEEP_GE, PF_NO_FLAG, PF_NO_FLAG)
PF_FOUR16(q, PF_S16, PF_SAT_S16, PF_KEEP_GE, PF_NO_FLAG, PF_NO_FLAG)
PF_FOUR16(uq, PF_U16, PF_SAT_U16, PF_KEEP_GE, PF_NO_FLAG, PF_NO_FLAG)

#define PF_BYTES(name, view, OP, finish, sets, flag) \
	PF_FN uint32_t pf_##name(uint32_t a, uint32_t b) \
	{ \
		uint32_t out = 0, ge = 0; \
		int lane; \
		for (lane = 0; lane < 4; lane++) { \
			int32_t r = view(a, lane) OP view(b, lane); \
			ge |= (flag(r) ? 1u : 0u) << lane; \
			out |= ((uint32_t)(finish(r)) & 0xffu) << (8 * lane); \
		} \
		if (sets) \
			pf_core.ge = ge; \
		return out; \
	}
PF_BYTES(sadd8, PF_S8, +, PF_WRAPPED, 1, PF_NOT_NEGATIVE)
PF_BYTES(ssub8, PF_S8, -, PF_WRAPPED, 1, PF_NOT_NEGATIVE)
PF_BYTES(uadd8, PF_U8, +, PF_WRAPPED, 1, PF_CARRY8)
PF_BYTES(usub8, PF_U8, -, PF_WRAPPED, 1, PF_NOT_NEGATIVE)
PF_BYTES(shadd8, PF_S8, +, PF_HALVED, 0, PF_NO_FLAG)
PF_BYTES(shsub8, PF_S8, -, PF_HALVED, 0, PF_NO_FLAG)
PF_BYTES(uhadd8, PF_U8, +, PF_HALVED, 0, PF_NO_FLAG)
PF_BYTES(uhsub8, PF_U8, -, PF_HALVED, 0, PF_NO_FLAG)
PF_BYTES(qadd8, PF_S8, +, PF_SAT_S8, 0, PF_NO_FLAG)
PF_BYTES(qsub8, PF_S8, -, PF_SAT_S8, 0, PF_NO_FLAG)
PF_BYTES(uqadd8, PF_U8, +, PF_SAT_U8, 0, PF_NO_FLAG)
PF_BYTES(uqsub8, PF_U8, -, PF_SAT_U8, 0, PF_NO_FLAG)

PF_FN uint32_t pf_sel(uint32_t a, uint32_t b)
{
	uint32_t out = 0;
	int lane;

	for (lane = 0; lane < 4; lane++)
		out |= ((pf_core.ge >> lane & 1u) ? a : b) & (0xffu << (8 * lane));
	return out;
}

PF_FN uint32_t pf_usada8(uint32_t a, uint32_t b, uint32_t sum)
{
	int lane;

	for (lane = 0; lane < 4; lane++) {
		int32_t difference = PF_U8(a, lane) - PF_U8(b, lane);
		sum += (uint32_t)(difference < 0 ? -difference : difference);
	}
	return sum;
}

PF_FN uint32_t pf_usad8(uint32_t a, uint32_t b) { return pf_usada8(a, b, 0); }

PF_FN uint32_t pf_ssat16(uint32_t a, uint32_t bits)
{
	return pf_pack16(pf_ssat(pf_b(a), bits), pf_ssat(pf_t(a), bits));
}

PF_FN uint32_t pf_usat16(uint32_t a, uint32_t bits)
{
	return pf_pack16((int32_t)pf_usat(pf_b(a), bits), (int32_t)pf_usat(pf_t(a), bits));
}

PF_FN uint32_t pf_sxtb16(uint32_t a) { return pf_pack16(PF_S8(a, 0), PF_S8(a, 2)); }
PF_FN uint32_t pf_uxtb16(uint32_t a) { return a & 0x00ff00ffu; }
PF_FN uint32_t pf_sxtab16(uint32_t a, uint32_t b)
{
	return pf_pack16(pf_b(a) + PF_S8(b, 0), pf_t(a) + PF_S8(b, 2));
}
PF_FN uint32_t pf_uxtab16(uint32_t a, uint32_t b)
{
	return pf_pack16(PF_U16(a, 0) + PF_U8(b, 0), PF_U16(a, 1) + PF_U8(b, 2));
}

PF_FN uint32_t pf_pkhbt(uint32_t a, uint32_t b, uint32_t left)
{
	return (a & 0xffffu) | ((b << (left & 31u)) & 0xffff0000u);
}

PF_FN uint32_t pf_pkhtb(uint32_t a, uint32_t b, uint32_t right)
{
	int64_t wide = (int32_t)b;

	return (a & 0xffff0000u) | ((uint32_t)(wide >> (right > 32u ? 32u : right)) & 0xffffu);
}

/* ---- products of halves: straight and crossed ---- */

PF_FN uint32_t pf_cross(uint32_t a) { return (a << 16) | (a >> 16); }
PF_FN int64_t pf_products(uint32_t a, uint32_t b, int sign)
{
	return (int64_t)pf_b(a) * pf_b(b) + sign * ((int64_t)pf_t(a) * pf_t(b));
}

PF_FN uint32_t pf_smlad(uint32_t a, uint32_t b, uint32_t c)
{
	return (uint32_t)pf_wrap_q(pf_products(a, b, 1) + (int32_t)c);
}
PF_FN uint32_t pf_smlsd(uint32_t a, uint32_t b, uint32_t c)
{
	return (uint32_t)pf_wrap_q(pf_products(a, b, -1) + (int32_t)c);
}
PF_FN uint64_t pf_smlald(uint32_t a, uint32_t b, uint64_t c) { return c + (uint64_t)pf_products(a, b, 1); }
PF_FN uint64_t pf_smlsld(uint32_t a, uint32_t b, uint64_t c) { return c + (uint64_t)pf_products(a, b, -1); }
PF_FN uint32_t pf_smladx(uint32_t a, uint32_t b, uint32_t c) { return pf_smlad(a, pf_cross(b), c); }
PF_FN uint32_t pf_smlsdx(uint32_t a, uint32_t b, uint32_t c) { return pf_smlsd(a, pf_cross(b), c); }
PF_FN uint64_t pf_smlaldx(uint32_t a, uint32_t b, uint64_t c) { return pf_smlald(a, pf_cross(b), c); }
PF_FN uint64_t pf_smlsldx(uint32_t a, uint32_t b, uint64_t c) { return pf_smlsld(a, pf_cross(b), c); }
PF_FN uint32_t pf_smuad(uint32_t a, uint32_t b) { return pf_smlad(a, b, 0); }
PF_FN uint32_t pf_smusd(uint32_t a, uint32_t b) { return pf_smlsd(a, b, 0); }
PF_FN uint32_t pf_smuadx(uint32_t a, uint32_t b) { return pf_smladx(a, b, 0); }
PF_FN uint32_t pf_smusdx(uint32_t a, uint32_t b) { return pf_smlsdx(a, b, 0); }

#define PF_PAIR_LIST(LIST) \
	LIST(sadd16, SADD16, int32_t) LIST(ssub16, SSUB16, int32_t) LIST(sasx, SASX, int32_t) \
	LIST(ssax, SSAX, int32_t) LIST(uadd16, UADD16, uint32_t) LIST(usub16, USUB16, uint32_t) \
	LIST(uasx, UASX, uint32_t) LIST(usax, USAX, uint32_t) LIST(shadd16, SHADD16, int32_t) \
	LIST(shsub16, SHSUB16, int32_t) LIST(shasx, SHASX, int32_t) LIST(shsax, SHSAX, int32_t) \
	LIST(uhadd16, UHADD16, uint32_t) LIST(uhsub16, UHSUB16, uint32_t) LIST(uhasx, UHASX, uint32_t) \
	LIST(uhsax, UHSAX, uint32_t) LIST(qadd16, QADD16, int32_t) LIST(qsub16, QSUB16, int32_t) \
	LIST(qasx, QASX, int32_t) LIST(qsax, QSAX, int32_t) LIST(uqadd16, UQADD16, uint32_t) \
	LIST(uqsub16, UQSUB16, uint32_t) LIST(uqasx, UQASX, uint32_t) LIST(uqsax, UQSAX, uint32_t) \
	LIST(sadd8, SADD8, int32_t) LIST(ssub8, SSUB8, int32_t) LIST(uadd8, UADD8, uint32_t) \
	LIST(usub8, USUB8, uint32_t) LIST(shadd8, SHADD8, int32_t) LIST(shsub8, SHSUB8, int32_t) \
	LIST(uhadd8, UHADD8, uint32_t) LIST(uhsub8, UHSUB8, uint32_t) LIST(qadd8, QADD8, int32_t) \
	LIST(qsub8, QSUB8, int32_t) LIST(uqadd8, UQADD8, uint32_t) LIST(uqsub8, UQSUB8, uint32_t) \
	LIST(sel, SEL, uint32_t) LIST(usad8, USAD8, uint32_t) LIST(sxtab16, SXTAB16, int32_t) \
	LIST(uxtab16, UXTAB16, uint32_t) LIST(smuad, SMUAD, int32_t) LIST(smuadx, SMUADX, int32_t) \
	LIST(smusd, SMUSD, int32_t) LIST(smusdx, SMUSDX, int32_t)

#define PF_TRIPLE_LIST(LIST) \
	LIST(smlad, SMLAD, int32_t) LIST(smladx, SMLADX, int32_t) LIST(smlsd, SMLSD, int32_t) \
	LIST(smlsdx, SMLSDX, int32_t) LIST(usada8, USADA8, uint32_t)

#define PF_LONG_LIST(LIST) \
	LIST(smlald, SMLALD, int64_t) LIST(smlaldx, SMLALDX, int64_t) LIST(smlsld, SMLSLD, int64_t) \
	LIST(smlsldx, SMLSLDX, int64_t)

#endif
