/* What differs between POSIX and Windows: files, libraries, locks, the interrupt signal, clock and memory. Texts are
 * UTF-8 on Windows and as the system has them elsewhere.
 */
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <wchar.h>

enum { LONGEST_PATH = 4096 };

#ifdef _WIN32

#define WIN32_LEAN_AND_MEAN
#include <windows.h>
#include <psapi.h>
#include <io.h>

#define EXPORT __declspec(dllexport)

typedef SRWLOCK Lock;
#define UNTAKEN SRWLOCK_INIT
static inline void take(Lock *lock) { AcquireSRWLockExclusive(lock); }
static inline void give(Lock *lock) { ReleaseSRWLockExclusive(lock); }

/* 0 where the text is too long or no text. */
static inline int to_wide(wchar_t *target, size_t size, const char *text) {
    return MultiByteToWideChar(CP_UTF8, MB_ERR_INVALID_CHARS, text, -1, target, (int)size) > 0;
}

static inline int from_wide(char *target, size_t size, const wchar_t *text) {
    return WideCharToMultiByte(CP_UTF8, 0, text, -1, target, (int)size, NULL, NULL) > 0;
}

static inline FILE *open_text(const char *name) {
    wchar_t wide[LONGEST_PATH];
    return to_wide(wide, LONGEST_PATH, name) ? _wfopen(wide, L"r") : NULL;
}

static inline int can_read(const char *name) {
    wchar_t wide[LONGEST_PATH];
    return to_wide(wide, LONGEST_PATH, name) && !_waccess(wide, 4);
}

static inline int can_run(const char *name) { return can_read(name); }

static inline const char *setting(const char *name) {
    static char text[LONGEST_PATH];
    wchar_t wide[128];
    const wchar_t *found = to_wide(wide, 128, name) ? _wgetenv(wide) : NULL;
    return found && from_wide(text, sizeof text, found) ? text : NULL;
}

static inline int is_separator(char c) { return c == '/' || c == '\\'; }
static inline int is_absolute(const char *path) {
    return is_separator(path[0]) || (path[0] && path[1] == ':');
}

/* Where this binary lies; it stays loaded until the process ends. */
static inline int own_place(char *place, size_t size) {
    HMODULE self;
    wchar_t wide[LONGEST_PATH];
    DWORD how = GET_MODULE_HANDLE_EX_FLAG_FROM_ADDRESS | GET_MODULE_HANDLE_EX_FLAG_PIN;
    if (!GetModuleHandleExW(how, (LPCWSTR)(void *)own_place, &self))
        return 0;
    DWORD length = GetModuleFileNameW(self, wide, LONGEST_PATH);
    return length > 0 && length < LONGEST_PATH && from_wide(place, size, wide);
}

/* The libraries that lie beside it are found too. */
static inline void *load_library(const char *name) {
    wchar_t wide[LONGEST_PATH];
    return to_wide(wide, LONGEST_PATH, name) ? LoadLibraryExW(wide, NULL, LOAD_WITH_ALTERED_SEARCH_PATH) : NULL;
}

static inline void *load_for_all(const char *name) { return load_library(name); }
static inline void unload(void *library) { FreeLibrary(library); }

static inline const char *why_not_loaded(void) {
    static char text[64];
    snprintf(text, sizeof text, "system error %lu", GetLastError());
    return text;
}

static inline void *symbol_of(void *library, const char *name) { return (void *)GetProcAddress(library, name); }

/* In any library of the process; of more than 1024 in the first of them. */
static inline void *symbol_of_any(const char *name) {
    HMODULE modules[1024];
    DWORD needed = 0;
    void *found = NULL;
    if (EnumProcessModules(GetCurrentProcess(), modules, sizeof modules, &needed))
        for (size_t i = 0; !found && i < needed / sizeof *modules && i < 1024; i++)
            found = symbol_of(modules[i], name);
    return found;
}

typedef void (*Interrupt)(int);
static inline void keep_interrupt(Interrupt *kept) {
    *kept = signal(SIGINT, SIG_DFL);
    signal(SIGINT, *kept);
}
static inline void restore_interrupt(const Interrupt *kept) { signal(SIGINT, *kept); }

static inline double seconds(void) {
    LARGE_INTEGER now, rate;
    QueryPerformanceCounter(&now);
    QueryPerformanceFrequency(&rate);
    return (double)now.QuadPart / (double)rate.QuadPart;
}

static inline long resident_kilobytes(void) {
    PROCESS_MEMORY_COUNTERS counters;
    return GetProcessMemoryInfo(GetCurrentProcess(), &counters, sizeof counters) ? (long)(counters.WorkingSetSize / 1024) : 0;
}

#else

#include <dlfcn.h>
#include <limits.h>
#include <pthread.h>
#include <time.h>
#include <unistd.h>

#define EXPORT __attribute__((visibility("default")))

typedef pthread_mutex_t Lock;
#define UNTAKEN PTHREAD_MUTEX_INITIALIZER
static inline void take(Lock *lock) { pthread_mutex_lock(lock); }
static inline void give(Lock *lock) { pthread_mutex_unlock(lock); }

static inline int to_wide(wchar_t *target, size_t size, const char *text) {
    return mbstowcs(target, text, size - 1) != (size_t)-1;
}

static inline FILE *open_text(const char *name) { return fopen(name, "r"); }
static inline int can_read(const char *name) { return !access(name, R_OK); }
static inline int can_run(const char *name) { return !access(name, X_OK); }
static inline const char *setting(const char *name) { return getenv(name); }
static inline int is_separator(char c) { return c == '/'; }
static inline int is_absolute(const char *path) { return is_separator(path[0]); }

static inline int own_place(char *place, size_t size) {
    Dl_info self;
    char *full = dladdr((void *)own_place, &self) ? realpath(self.dli_fname, NULL) : NULL;
    int fits = full && strlen(full) < size;
    if (fits)
        strcpy(place, full);
    free(full);
    return fits;
}

static inline void *load_library(const char *name) { return dlopen(name, RTLD_NOW | RTLD_LOCAL); }
/* Its symbols can be seen by every library that is loaded later, and it stays. */
static inline void *load_for_all(const char *name) { return dlopen(name, RTLD_NOW | RTLD_GLOBAL | RTLD_NODELETE); }
static inline void unload(void *library) { dlclose(library); }
static inline const char *why_not_loaded(void) { return dlerror(); }

static inline void *symbol_of(void *library, const char *name) { return dlsym(library, name); }
static inline void *symbol_of_any(const char *name) { return dlsym(RTLD_DEFAULT, name); }

typedef struct sigaction Interrupt;
static inline void keep_interrupt(Interrupt *kept) { sigaction(SIGINT, NULL, kept); }
static inline void restore_interrupt(const Interrupt *kept) { sigaction(SIGINT, kept, NULL); }

static inline double seconds(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return now.tv_sec + 1e-9 * now.tv_nsec;
}

/* 0 where the system does not tell. */
static inline long resident_kilobytes(void) {
    long total = 0, resident = 0;
    FILE *file = fopen("/proc/self/statm", "r");
    if (file) {
        if (fscanf(file, "%ld %ld", &total, &resident) != 2)
            resident = 0;
        fclose(file);
    }
    return resident * (sysconf(_SC_PAGESIZE) / 1024);
}

#endif
