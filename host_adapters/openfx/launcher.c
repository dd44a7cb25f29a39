/* Launcher: the binary of the bundle. It finds Python, starts it when the first effect is loaded, and hands every
 * action on to Python.
 *
 * No Python header and no link to libpython: what is needed of its C interface is looked up by name, so that one
 * compiled file serves every CPython of the supported versions. Resources/launch.cfg beside it says what to start.
 *
 * cc -shared -fPIC -O2 -std=c11 -fvisibility=hidden -Wl,-z,nodelete -o NAME.ofx launcher.c -ldl -lpthread
 */
#define _GNU_SOURCE
#include <stdarg.h>
#include <stdatomic.h>
#include <stdint.h>

#include "system.h"

/* --- what the launcher touches of the standard --------------------------------------------------------------- */

typedef struct {
    void *properties;
    const void *(*fetch_suite)(void *properties, const char *name, int version);
} Host;

typedef int MainEntry(const char *action, const void *handle, void *in, void *out);

typedef struct {
    const char *api;
    int api_version;
    const char *identifier;
    unsigned int major, minor;
    void (*set_host)(Host *);
    MainEntry *main_entry;
} Plugin;

typedef struct {
    int (*message)(void *handle, const char *type, const char *id, const char *format, ...);
} MessageSuite;

enum { STATUS_OK = 0, STATUS_FAILED = 1 };

/* --- what is shared with Python: api.py holds the same layout ------------------------------------------------- */

typedef void Dispatch(int slot, const char *action, const void *handle, void *in, void *out, void *host, int *status);

typedef struct {
    int layout;
    Dispatch *dispatch; /* Python sets it, and clears it when it ends */
    char error[8192];
} Link;

enum { MOST_PLUGINS = 64, LONGEST_NAME = 128 };

static Link shared = {1, NULL, ""};

static Plugin plugins[MOST_PLUGINS];
static char identifiers[MOST_PLUGINS][LONGEST_NAME];
static Host *hosts[MOST_PLUGINS];
static int plugin_count;

static struct {
    char program[LONGEST_PATH], library[LONGEST_PATH], standard_library[LONGEST_PATH];
    char version[16], module[LONGEST_NAME], resources[LONGEST_PATH];
    char paths[4][LONGEST_PATH];
    int path_count;
} launch;

static void fail(const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(shared.error, sizeof shared.error, format, arguments);
    va_end(arguments);
}

/* --- entry points: the standard passes no context to them, so every plug-in has its own pair ------------------- */

static int enter(int slot, const char *action, const void *handle, void *in, void *out);

#define EACH_8(X, base) X(base##0) X(base##1) X(base##2) X(base##3) X(base##4) X(base##5) X(base##6) X(base##7)
#define EACH(X) EACH_8(X, 00) EACH_8(X, 01) EACH_8(X, 02) EACH_8(X, 03) EACH_8(X, 04) EACH_8(X, 05) EACH_8(X, 06) EACH_8(X, 07)
/* The numbers are octal: 000 to 077. */
#define DEFINE(n)                                                                                                     \
    static int entry_##n(const char *action, const void *handle, void *in, void *out) {                               \
        return enter(n, action, handle, in, out);                                                                     \
    }                                                                                                                 \
    static void set_host_##n(Host *host) { hosts[n] = host; }
#define ENTRY(n) entry_##n,
#define SET_HOST(n) set_host_##n,
EACH(DEFINE)
static MainEntry *const entries[MOST_PLUGINS] = {EACH(ENTRY)};
static void (*const host_setters[MOST_PLUGINS])(Host *) = {EACH(SET_HOST)};

/* --- launch.cfg ----------------------------------------------------------------------------------------------- */

static void copy(char *target, size_t size, const char *text) {
    if (strlen(text) >= size)
        fail("A line of launch.cfg is too long: %.200s", text);
    snprintf(target, size, "%s", text);
}

/* Relative paths start at Resources: a bundle that lies inside the Python environment can be moved with it. */
static void copy_path(char *target, const char *text) {
    char full[2 * LONGEST_PATH];
    if (is_absolute(text))
        snprintf(full, sizeof full, "%s", text);
    else
        snprintf(full, sizeof full, "%s/%s", launch.resources, text);
    copy(target, LONGEST_PATH, full);
}

static void add_plugin(const char *text) {
    unsigned int major, minor;
    if (plugin_count == MOST_PLUGINS || sscanf(text, "%127s %u %u", identifiers[plugin_count], &major, &minor) != 3)
        return;
    plugins[plugin_count] = (Plugin){"OfxImageEffectPluginAPI",       1,     identifiers[plugin_count], major, minor,
                                     host_setters[plugin_count], entries[plugin_count]};
    plugin_count++;
}

static void read_line(const char *key, const char *text) {
    if (!strcmp(key, "program"))
        copy_path(launch.program, text);
    else if (!strcmp(key, "library"))
        copy_path(launch.library, text);
    else if (!strcmp(key, "standard_library"))
        copy_path(launch.standard_library, text);
    else if (!strcmp(key, "version"))
        copy(launch.version, sizeof launch.version, text);
    else if (!strcmp(key, "module"))
        copy(launch.module, sizeof launch.module, text);
    else if (!strcmp(key, "path") && launch.path_count < 4)
        copy_path(launch.paths[launch.path_count++], text);
    else if (!strcmp(key, "plugin"))
        add_plugin(text);
}

/* The binary is NAME.ofx.bundle/Contents/ARCHITECTURE/NAME.ofx; Resources lies beside the architecture. */
static int find_resources(void) {
    char place[LONGEST_PATH];
    if (!own_place(place, sizeof place)) {
        fail("The bundle cannot find its own place.");
        return 0;
    }
    for (size_t end = strlen(place), level = 0; end > 0 && level < 2; end--)
        if (is_separator(place[end - 1])) {
            place[end - 1] = 0;
            level++;
        }
    if (strlen(place) + sizeof "/Resources/launch.cfg" > LONGEST_PATH) {
        fail("The path of the bundle is too long: %.200s", place);
        return 0;
    }
    snprintf(launch.resources, sizeof launch.resources, "%.*s/Resources", LONGEST_PATH - 16, place);
    return 1;
}

static void read_configuration(void) {
    char file_name[LONGEST_PATH + 16], line[LONGEST_PATH + 64];
    if (!find_resources())
        return;
    snprintf(file_name, sizeof file_name, "%s/launch.cfg", launch.resources);
    FILE *file = open_text(file_name);
    if (!file) {
        fail("%s cannot be read: build the bundle again with `inkarnat openfx`.", file_name);
        return;
    }
    while (fgets(line, sizeof line, file)) {
        line[strcspn(line, "\r\n")] = 0;
        char *equals = strchr(line, '=');
        if (line[0] == '#' || !equals)
            continue;
        *equals = 0;
        read_line(line, equals + 1);
    }
    fclose(file);
    const char *program = setting("INKARNAT_PYTHON"); /* for an environment that has moved */
    if (program && *program)
        copy(launch.program, sizeof launch.program, program);
}

/* --- Python ---------------------------------------------------------------------------------------------------- */

static struct {
    void *library;
    const char *(*get_version)(void);
    int (*is_initialised)(void);
    void (*initialise)(int);
    void (*set_program)(const wchar_t *);
    int *ignore_environment, *no_user_site;
    int (*run)(const char *);
    int (*ensure)(void);
    void (*release)(int);
    void *(*save_thread)(void);
} python;

/* A data pointer may not be cast to a function pointer in C; POSIX promises that they are alike. */
static void look_up(void *target, const char *name) {
    void *found = symbol_of_any(name);
    if (!found && python.library)
        found = symbol_of(python.library, name);
    memcpy(target, &found, sizeof found);
}

static int find_python(void) {
    look_up(&python.get_version, "Py_GetVersion");
    if (!python.get_version) {
        /* For all, although hosts open plug-ins locally: extension modules look for Python's symbols there. */
        python.library = load_for_all(launch.library);
        if (!python.library) {
            fail("Python's library cannot be loaded (%s): build the bundle again with `inkarnat openfx`.", why_not_loaded());
            return 0;
        }
        look_up(&python.get_version, "Py_GetVersion");
    }
    look_up(&python.is_initialised, "Py_IsInitialized");
    look_up(&python.initialise, "Py_InitializeEx");
    look_up(&python.set_program, "Py_SetProgramName");
    look_up(&python.ignore_environment, "Py_IgnoreEnvironmentFlag");
    look_up(&python.no_user_site, "Py_NoUserSiteDirectory");
    look_up(&python.run, "PyRun_SimpleString");
    look_up(&python.ensure, "PyGILState_Ensure");
    look_up(&python.release, "PyGILState_Release");
    look_up(&python.save_thread, "PyEval_SaveThread");
    if (!python.get_version || !python.is_initialised || !python.initialise || !python.set_program || !python.run ||
        !python.ensure || !python.release || !python.save_thread) {
        fail("Python's library %.200s lacks what is needed to start it.", launch.library);
        return 0;
    }
    return 1;
}

static int is_the_right_version(void) {
    const char *found = python.get_version();
    size_t length = strlen(launch.version);
    if (!strncmp(found, launch.version, length) && (found[length] < '0' || found[length] > '9'))
        return 1;
    fail("This host already runs Python %.*s, and the effects were built for Python %s: install Inkarnat into a "
         "Python %.*s environment and build the bundle there with `inkarnat openfx`.",
         (int)strcspn(found, " "), found, launch.version, (int)strcspn(found, " "), found);
    return 0;
}

/* Python ends the process where it does not find its own files: look first. */
static int is_installed(void) {
    char codecs[2 * LONGEST_PATH];
    snprintf(codecs, sizeof codecs, "%s/encodings/__init__.py", launch.standard_library);
    const char *missing = !can_run(launch.program) ? launch.program : !can_read(codecs) ? codecs : NULL;
    if (!missing)
        return 1;
    fail("Python is no longer where the bundle was built for: %.500s is missing. Build the bundle again with "
         "`inkarnat openfx`, or set INKARNAT_PYTHON to the program.",
         missing);
    return 0;
}

static int start_interpreter(void) {
    static wchar_t program[LONGEST_PATH]; /* Python keeps the pointer */
    if (!is_installed())
        return 0;
    if (!to_wide(program, LONGEST_PATH, launch.program)) {
        fail("The path of Python holds characters that the locale does not know: %.500s", launch.program);
        return 0;
    }
    if (python.ignore_environment)
        *python.ignore_environment = 1; /* PYTHONHOME and PYTHONPATH are the host's affair */
    if (python.no_user_site)
        *python.no_user_site = 1;
    python.set_program(program);
    python.initialise(0); /* 0 leaves the host's signal handlers alone */
    return 1;
}

/* Paths travel as hexadecimal digits: no character of theirs can break the code. */
static size_t add_hex(char *target, size_t used, size_t size, const char *text) {
    for (; *text && used + 3 < size; text++, used += 2)
        snprintf(target + used, size - used, "%02x", (unsigned char)*text);
    return used;
}

static int run_start_code(void) {
    static char paths[2 * 4 * LONGEST_PATH], resources[2 * LONGEST_PATH], code[sizeof paths + sizeof resources + 4096];
    size_t used = 0;
    for (int i = 0; i < launch.path_count; i++) {
        if (i)
            used = add_hex(paths, used, sizeof paths, "\n");
        used = add_hex(paths, used, sizeof paths, launch.paths[i]);
    }
    add_hex(resources, 0, sizeof resources, launch.resources);
    snprintf(code, sizeof code,
             "def _start():\n"
             "    import ctypes, importlib, os, site, sys\n"
             "    try:\n"
             "        for path in os.fsdecode(bytes.fromhex('%s')).split('\\n'):\n"
             "            if path and path not in sys.path:\n"
             "                site.addsitedir(path)\n"
             "        importlib.import_module('%s').attach(%zu, os.fsdecode(bytes.fromhex('%s')))\n"
             "    except BaseException as error:\n"
             "        import traceback\n"
             "        traceback.print_exception(error)\n"
             "        text = f'{type(error).__name__}: {error}'.encode('utf-8', 'replace')[:8000] + bytes(1)\n"
             "        ctypes.memmove(%zu, text, len(text))\n"
             "_start()\n"
             "del _start\n",
             paths, launch.module, (size_t)&shared, resources, (size_t)shared.error);
    shared.error[0] = 0;
    int result = python.run(code);
    if (result == 0 && shared.dispatch)
        return 1;
    if (!shared.error[0])
        fail("The effects could not start.");
    return 0;
}

static int start_python(void) {
    if (shared.error[0] || !find_python() || !is_the_right_version())
        return 0;
    if (python.is_initialised()) {
        int state = python.ensure();
        int started = run_start_code();
        python.release(state);
        return started;
    }
    Interrupt interrupt;
    keep_interrupt(&interrupt);
    if (!start_interpreter())
        return 0;
    int started = run_start_code();
    restore_interrupt(&interrupt); /* importing Python's signal module takes it over, whoever asks for that */
    python.save_thread();          /* lets go of the interpreter lock, so that any thread of the host may enter */
    return started;
}

static int ensure_python(void) {
    enum { UNTRIED, READY, BROKEN };
    static atomic_int state = UNTRIED;
    static Lock lock = UNTAKEN;
    /* No lock once it is decided: a caller may hold the interpreter lock. */
    int now = atomic_load(&state);
    if (now == UNTRIED) {
        take(&lock);
        now = atomic_load(&state);
        if (now == UNTRIED) {
            now = start_python() ? READY : BROKEN;
            atomic_store(&state, now);
        }
        give(&lock);
    }
    return now == READY;
}

/* --- actions --------------------------------------------------------------------------------------------------- */

static void complain(int slot) {
    fprintf(stderr, "%s: %s\n", identifiers[slot], shared.error);
    Host *host = hosts[slot];
    const MessageSuite *suite = host && host->fetch_suite ? host->fetch_suite(host->properties, "OfxMessageSuite", 1) : NULL;
    if (suite)
        suite->message(NULL, "OfxMessageError", "", "%s", shared.error);
}

static int enter(int slot, const char *action, const void *handle, void *in, void *out) {
    int status = STATUS_FAILED; /* stands where Python never gets to set it */
    if (!action)
        return STATUS_FAILED;
    if (!ensure_python()) {
        if (!strcmp(action, "OfxActionLoad"))
            complain(slot);
        return strcmp(action, "OfxActionUnload") ? STATUS_FAILED : STATUS_OK;
    }
    Dispatch *dispatch = shared.dispatch;
    if (!dispatch || !python.is_initialised())
        return STATUS_FAILED; /* the interpreter has ended before the host */
    dispatch(slot, action, handle, in, out, hosts[slot], &status);
    return status;
}

EXPORT int OfxGetNumberOfPlugins(void) {
    static Lock lock = UNTAKEN;
    static int is_read;
    take(&lock);
    if (!is_read)
        read_configuration();
    is_read = 1;
    give(&lock);
    return plugin_count;
}

EXPORT Plugin *OfxGetPlugin(int slot) {
    int count = OfxGetNumberOfPlugins();
    return slot >= 0 && slot < count ? &plugins[slot] : NULL;
}

EXPORT int OfxSetHost(const Host *host) {
    (void)host; /* every plug-in is told its host by its own set_host */
    return STATUS_OK;
}
