/* user-mode-linux sets the floating-point registers of a process with as many bytes as its own processor types have.
 * Since Linux 5.16 the host takes no less than all that the processor has (arch/x86/kernel/fpu/regset.c, xstateregs_set:
 * EFAULT), which is more on one with AMX. Here what the guest does not know is added as the process has it. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <elf.h>
#include <errno.h>
#include <stdarg.h>
#include <string.h>
#include <sys/ptrace.h>
#include <sys/uio.h>

long ptrace(enum __ptrace_request request, ...)
{
    static long (*real)(enum __ptrace_request, int, void *, void *);
    static _Thread_local char all[1 << 16];
    va_list list;
    va_start(list, request);
    int process = va_arg(list, int);
    void *address = va_arg(list, void *);
    void *data = va_arg(list, void *);
    va_end(list);
    if (!real) real = dlsym(RTLD_NEXT, "ptrace");
    if (request == PTRACE_SETREGSET && (long)address == NT_X86_XSTATE) {
        struct iovec *known = data, whole = {all, sizeof all};
        if (!real(PTRACE_GETREGSET, process, address, &whole) && known->iov_len < whole.iov_len) {
            memcpy(all, known->iov_base, known->iov_len);
            return real(request, process, address, &whole);
        }
    }
    return real(request, process, address, data);
}
