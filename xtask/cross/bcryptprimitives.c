/* Random numbers for programs under a wine that has none under this name: Rust's standard library asks for them. For trials only;
   Windows brings its own. */
#include <windows.h>

BOOLEAN NTAPI SystemFunction036(PVOID, ULONG);

__declspec(dllexport) BOOL ProcessPrng(PBYTE data, SIZE_T size)
{
    return SystemFunction036(data, (ULONG)size);
}
