/*
 * Words that the standard core headers bring along, each only where nobody has said otherwise; on the board
 * as on the host.
 */
#ifndef PREFLASH_CORE_WORDS_H
#define PREFLASH_CORE_WORDS_H

/* The real compiler header of the core, if a later include finds it, is assembly for the board. */
#define __CMSIS_GCC_H
#define __CMSIS_COMPILER_H

#ifndef __ASM
#define __ASM __asm__
#endif
#ifndef __INLINE
#define __INLINE inline
#endif
#ifndef __STATIC_INLINE
#define __STATIC_INLINE static inline
#endif
#ifndef __STATIC_FORCEINLINE
#define __STATIC_FORCEINLINE __attribute__((always_inline)) static inline
#endif
#ifndef __NO_RETURN
#define __NO_RETURN __attribute__((__noreturn__))
#endif
#ifndef __USED
#define __USED __attribute__((used))
#endif
#ifndef __WEAK
#define __WEAK __attribute__((weak))
#endif
#ifndef __PACKED
#define __PACKED __attribute__((packed, aligned(1)))
#endif
#ifndef __PACKED_STRUCT
#define __PACKED_STRUCT struct __attribute__((packed, aligned(1)))
#endif
#ifndef __PACKED_UNION
#define __PACKED_UNION union __attribute__((packed, aligned(1)))
#endif
#ifndef __ALIGNED
#define __ALIGNED(bytes) __attribute__((aligned(bytes)))
#endif
#ifndef __RESTRICT
#define __RESTRICT __restrict
#endif
#ifndef __COMPILER_BARRIER
#define __COMPILER_BARRIER() __asm__ volatile("" ::: "memory")
#endif
#ifndef __IO
#define __IO volatile
#endif
#ifndef __O
#define __O volatile
#endif
#ifndef __I
#ifdef __cplusplus
#define __I volatile
#else
#define __I volatile const
#endif
#endif
#ifndef __IM
#define __IM volatile const
#endif
#ifndef __OM
#define __OM volatile
#endif
#ifndef __IOM
#define __IOM volatile
#endif

#endif
