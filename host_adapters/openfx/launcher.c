/* Launcher: the binary of the bundle. It describes the effects from what the build wrote into Resources, finds and
 * starts Python when the first instance is made, and hands every further action on to Python.
 *
 * No Python header and no link to libpython: what is needed of its C interface is looked up by name, so that one
 * compiled file serves every CPython of the supported versions. Resources/launch.cfg beside it says what to start.
 *
 * cc -shared -fPIC -O2 -std=c11 -fvisibility=hidden -Wl,-z,nodelete -o NAME.ofx launcher.c -ldl -lpthread
 */
#define _GNU_SOURCE
#include <locale.h>
#include <math.h>
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

/* Of the suites the beginning, as far as descriptions need it. */
typedef struct {
    int (*set_pointer)(void *set, const char *name, int index, void *value);
    int (*set_string)(void *set, const char *name, int index, const char *value);
    int (*set_double)(void *set, const char *name, int index, double value);
    int (*set_int)(void *set, const char *name, int index, int value);
    void *set_many[4], *get_pointer;
    int (*get_string)(void *set, const char *name, int index, char **value);
    void *get_double;
    int (*get_int)(void *set, const char *name, int index, int *value);
} PropertySuite;

typedef struct {
    int (*get_property_set)(void *effect, void **set);
    int (*get_param_set)(void *effect, void **set);
    int (*clip_define)(void *effect, const char *name, void **set);
} EffectSuite;

typedef struct {
    int (*define)(void *controls, const char *type, const char *name, void **set);
} ParameterSuite;

enum { STATUS_OK = 0, STATUS_FAILED = 1, STATUS_MISSING_HOST_FEATURE = 4, STATUS_REPLY_DEFAULT = 14 };

/* --- what is shared with Python: api.py holds the same layout ------------------------------------------------- */

/* What an action is for: an effect, or the drawing over the picture that belongs to it. */
enum { FOR_EFFECT = 0, FOR_OVERLAY = 1 };

typedef void Dispatch(int slot, int aim, const char *action, const void *handle, void *in, void *out, void *host,
                      int *status);

typedef struct {
    int layout;
    Dispatch *dispatch; /* Python sets it, and clears it when it ends */
    char error[8192];
} Link;

enum { MOST_PLUGINS = 64, LONGEST_NAME = 128 };

static Link shared = {2, NULL, ""};

static Plugin plugins[MOST_PLUGINS];
static char identifiers[MOST_PLUGINS][LONGEST_NAME];
static Host *hosts[MOST_PLUGINS];
static int plugin_count;

static struct {
    char program[LONGEST_PATH], library[LONGEST_PATH], standard_library[LONGEST_PATH];
    char version[16], module[LONGEST_NAME], resources[LONGEST_PATH], source[LONGEST_PATH], release[64];
    char paths[4][LONGEST_PATH], fault[8192];
    int path_count;
} launch;

static void fail(const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(shared.error, sizeof shared.error, format, arguments);
    va_end(arguments);
}

/* What has gone wrong for good. */
static void keep_fault(void) { snprintf(launch.fault, sizeof launch.fault, "%s", shared.error); }

/* --- entry points: the standard passes no context to them, so every plug-in has its own pair ------------------- */

static int enter(int slot, const char *action, const void *handle, void *in, void *out);
static int enter_overlay(int slot, const char *action, const void *handle, void *in, void *out);

#define EACH_8(X, base) X(base##0) X(base##1) X(base##2) X(base##3) X(base##4) X(base##5) X(base##6) X(base##7)
#define EACH(X) EACH_8(X, 00) EACH_8(X, 01) EACH_8(X, 02) EACH_8(X, 03) EACH_8(X, 04) EACH_8(X, 05) EACH_8(X, 06) EACH_8(X, 07)
/* The numbers are octal: 000 to 077. */
#define DEFINE(n)                                                                                                     \
    static int entry_##n(const char *action, const void *handle, void *in, void *out) {                               \
        return enter(n, action, handle, in, out);                                                                     \
    }                                                                                                                 \
    static int overlay_##n(const char *action, const void *handle, void *in, void *out) {                             \
        return enter_overlay(n, action, handle, in, out);                                                             \
    }                                                                                                                 \
    static void set_host_##n(Host *host) { hosts[n] = host; }
#define ENTRY(n) entry_##n,
#define OVERLAY(n) overlay_##n,
#define SET_HOST(n) set_host_##n,
EACH(DEFINE)
static MainEntry *const entries[MOST_PLUGINS] = {EACH(ENTRY)};
static MainEntry *const overlays[MOST_PLUGINS] = {EACH(OVERLAY)};
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
    else if (!strcmp(key, "source"))
        copy_path(launch.source, text);
    else if (!strcmp(key, "release"))
        copy(launch.release, sizeof launch.release, text);
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
        add_plugin("org.inkarnat.bundle 0 0"); /* an effect that only says so, when a host loads it */
        keep_fault();
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
    keep_fault();
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
    const char *found = setlocale(LC_CTYPE, NULL);
    char *kept = found ? strdup(found) : NULL;
    python.initialise(0); /* 0 leaves the host's signal handlers alone */
    if (kept)
        setlocale(LC_CTYPE, kept); /* Python sets the user's: how the host reads its texts is its own affair */
    free(kept);
    return 1;
}

/* Paths travel as hexadecimal digits: no character of theirs can break the code. */
static size_t add_hex(char *target, size_t used, size_t size, const char *text) {
    for (; *text && used + 3 < size; text++, used += 2)
        snprintf(target + used, size - used, "%02x", (unsigned char)*text);
    return used;
}

static int run_start_code(void) {
    static char paths[2 * 4 * LONGEST_PATH], resources[2 * LONGEST_PATH], source[2 * LONGEST_PATH];
    static char code[sizeof paths + sizeof resources + sizeof source + 8192];
    size_t used = 0;
    for (int i = 0; i < launch.path_count; i++) {
        if (i)
            used = add_hex(paths, used, sizeof paths, "\n");
        used = add_hex(paths, used, sizeof paths, launch.paths[i]);
    }
    add_hex(resources, 0, sizeof resources, launch.resources);
    add_hex(source, 0, sizeof source, launch.source);
    snprintf(code, sizeof code,
             "def _start():\n"
             "    import ctypes, importlib, os, site, sys\n"
             "    try:\n"
             "        for path in os.fsdecode(bytes.fromhex('%s')).split('\\n'):\n"
             "            if path and path not in sys.path:\n"
             "                site.addsitedir(path)\n"
             "        name, source = '%s', os.fsdecode(bytes.fromhex('%s'))\n"
             "        known = sys.modules.get(name)\n"
             "        running = os.path.dirname(getattr(known, '__file__', None) or source)\n"
             "        if known and os.path.isdir(source) and not os.path.samefile(running, source):\n"
             "            raise ImportError('Another installation of Inkarnat already runs in this host, from ' + running +\n"
             "                ', and these effects (%s) belong to ' + source + ': remove one of the two bundles.')\n"
             "        importlib.import_module(name).attach(%zu, os.fsdecode(bytes.fromhex('%s')))\n"
             "    except BaseException as error:\n"
             "        import traceback\n"
             "        text = str(error) if 'Inkarnat' in str(error) else f'{type(error).__name__}: {error}'\n"
             "        if text != str(error):\n"
             "            traceback.print_exception(error)\n"
             "        text = text.encode('utf-8', 'replace')[:8000] + bytes(1)\n"
             "        ctypes.memmove(%zu, text, len(text))\n"
             "_start()\n"
             "del _start\n",
             paths, launch.module, source, launch.release, (size_t)&shared, resources, (size_t)shared.error);
    shared.error[0] = 0;
    int result = python.run(code);
    if (result == 0 && shared.dispatch)
        return 1;
    if (!shared.error[0])
        fail("The effects could not start.");
    return 0;
}

static int start_python(void) {
    if (launch.fault[0] || !find_python() || !is_the_right_version())
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
            if (now == BROKEN && !launch.fault[0])
                keep_fault();
            atomic_store(&state, now);
        }
        give(&lock);
    }
    return now == READY;
}

/* --- describing, without Python ----------------------------------------------------------------------------------- */

/* What the build wrote for an effect, line by line:
 *
 *   variant MASK          what follows is for hosts with these features, 15 for all
 *   context NAME          what follows belongs to the description in this context
 *   clip NAME             properties that follow are the clip's
 *   control TYPE NAME     … the control's; with "maybe" for "control" the effect works without it
 *   s NAME INDEX TEXT     a property: s text, i whole number, d number (as digits and the power of two that they count);
 *                         a capital where the host must take it
 *   e NAME INDEX TEXT     a text where the host refused the one before
 *   overlay               the entry of the drawing over the picture, for hosts that can draw it
 */
enum { CURVES = 1, TEXT_CHOICES = 2, ALL_FEATURES = 15, LONGEST_LINE = 16384 };

typedef struct {
    const PropertySuite *property;
    const EffectSuite *effect;
    const ParameterSuite *parameter;
    void *handle, *set, *controls;
    int slot, refused, skips;
} Description;

static const void *suite_of(int slot, const char *name, int version) {
    Host *host = hosts[slot];
    return host && host->fetch_suite ? host->fetch_suite(host->properties, name, version) : NULL;
}

static int features_of(int slot, const PropertySuite *property) {
    int features = suite_of(slot, "OfxParametricParameterSuite", 1) ? CURVES : 0, choices = 0;
    if (property->get_int(hosts[slot]->properties, "OfxParamHostPropSupportsStrChoice", 0, &choices) == STATUS_OK && choices)
        features |= TEXT_CHOICES;
    return features;
}

/* Texts stand on one line: \n is a new line, \\ a stroke. */
static void unescape(char *text) {
    char *to = text;
    for (char *from = text; *from; from++, to++) {
        *to = *from;
        if (*from == '\\' && from[1])
            *to = *++from == 'n' ? '\n' : *from;
    }
    *to = 0;
}

static int set_property(Description *d, char kind, char *words) {
    char name[128];
    int index, used = 0;
    if (sscanf(words, "%127s %d %n", name, &index, &used) < 2)
        return STATUS_FAILED;
    char *text = words + used, small = kind >= 'A' && kind <= 'Z' ? (char)(kind - 'A' + 'a') : kind;
    int status = STATUS_OK;
    if (kind == 'e' && !d->refused)
        return STATUS_OK;
    if (small == 's' || small == 'e') {
        unescape(text);
        status = d->property->set_string(d->set, name, index, text);
    } else if (small == 'd') {
        /* Two whole numbers: a decimal point would be a comma where the host's locale has one. */
        long long digits = 0;
        int exponent = 0;
        sscanf(text, "%lld %d", &digits, &exponent);
        status = d->property->set_double(d->set, name, index, ldexp((double)digits, exponent));
    } else {
        status = d->property->set_int(d->set, name, index, atoi(text));
    }
    d->refused = status != STATUS_OK;
    if (!d->refused || kind == small)
        return STATUS_OK; /* hosts of older versions of the standard lack properties of newer ones */
    fail("The host refused the property %s (status %d).", name, status);
    return status;
}

static int define(Description *d, char *type, int needed) {
    char *name = strchr(type, ' ');
    if (!name)
        return STATUS_FAILED;
    *name++ = 0;
    int status = d->parameter->define(d->controls, type, name, &d->set);
    d->skips = status != STATUS_OK;
    if (!d->skips || !needed)
        return STATUS_OK;
    fail("The host refused the control %s (status %d).", name, status);
    return status;
}

static int follow(Description *d, char *line) {
    char *words = strchr(line, ' ');
    if (words)
        *words++ = 0;
    if (!strcmp(line, "overlay")) {
        if (suite_of(d->slot, "OfxDrawSuite", 1))
            d->property->set_pointer(d->set, "OfxImageEffectPluginPropOverlayInteractV2", 0, (void *)overlays[d->slot]);
        return STATUS_OK;
    }
    if (!words)
        return STATUS_FAILED;
    if (!strcmp(line, "clip")) {
        int status = d->effect->clip_define(d->handle, words, &d->set);
        d->skips = 0;
        if (status != STATUS_OK)
            fail("The host refused the clip %s (status %d).", words, status);
        return status;
    }
    if (!strcmp(line, "control") || !strcmp(line, "maybe"))
        return define(d, words, line[0] == 'c');
    return d->skips ? STATUS_OK : set_property(d, line[0], words);
}

/* Say of an effect what stands in its file: for all contexts, or in the one that is named. */
static int describe(int slot, void *handle, const char *context) {
    Description d = {.handle = handle, .slot = slot};
    char file_name[2 * LONGEST_PATH], *line = malloc(LONGEST_LINE);
    d.property = suite_of(slot, "OfxPropertySuite", 1);
    d.effect = suite_of(slot, "OfxImageEffectSuite", 1);
    d.parameter = suite_of(slot, "OfxParameterSuite", 1);
    /* An earlier major version that stays beside today's has a file of its own. */
    snprintf(file_name, sizeof file_name, "%s/%s.%u.describe", launch.resources, identifiers[slot],
             plugins[slot].major);
    FILE *file = open_text(file_name);
    if (!file) {
        snprintf(file_name, sizeof file_name, "%s/%s.describe", launch.resources, identifiers[slot]);
        file = open_text(file_name);
    }
    int status = STATUS_OK, is_variant = 0, is_meant = 0, found = 0, features = 0;
    if (!line || !file) {
        fail("%s cannot be read: build the bundle again with `inkarnat openfx`.", file_name);
        status = STATUS_FAILED;
    } else if (!d.property || !d.effect || !d.parameter || d.effect->get_property_set(handle, &d.set) != STATUS_OK ||
               d.effect->get_param_set(handle, &d.controls) != STATUS_OK) {
        fail("The host gave no effect to describe.");
        status = STATUS_FAILED;
    } else {
        features = features_of(slot, d.property);
    }
    while (status == STATUS_OK && fgets(line, LONGEST_LINE, file)) {
        line[strcspn(line, "\r\n")] = 0;
        if (!strncmp(line, "variant ", 8)) {
            int mask = atoi(line + 8);
            is_variant = mask == ALL_FEATURES || mask == features;
            is_meant = is_variant && !context;
        } else if (!strncmp(line, "context ", 8)) {
            is_meant = is_variant && context && !strcmp(line + 8, context);
        } else if (is_meant) {
            status = follow(&d, line);
            found = 1;
        }
    }
    if (status == STATUS_OK && !found) {
        fail("%s does not describe the effect %s%s: build the bundle again with `inkarnat openfx`.", file_name,
             context ? "in the context " : "", context ? context : "");
        status = STATUS_FAILED;
    }
    if (file)
        fclose(file);
    free(line);
    return status;
}

static int describe_in_context(int slot, void *handle, void *in) {
    const PropertySuite *property = suite_of(slot, "OfxPropertySuite", 1);
    char *context = NULL;
    if (!property || !in || property->get_string(in, "OfxImageEffectPropContext", 0, &context) != STATUS_OK || !context) {
        fail("The host did not say which context it asks for.");
        return STATUS_FAILED;
    }
    return describe(slot, handle, context);
}

/* --- actions --------------------------------------------------------------------------------------------------- */

/* One fault is told once, however many effects it hits. */
static void complain(int slot, void *handle) {
    static Lock lock = UNTAKEN;
    static char told[sizeof shared.error];
    take(&lock);
    int is_new = strcmp(told, shared.error) != 0;
    snprintf(told, sizeof told, "%s", shared.error);
    give(&lock);
    if (!is_new)
        return;
    fprintf(stderr, "%s: %s\n", identifiers[slot], shared.error);
    const MessageSuite *suite = suite_of(slot, "OfxMessageSuite", 1);
    if (suite)
        suite->message(handle, "OfxMessageError", "", "%s", shared.error);
}

static atomic_int has_started;

/* Look whether the host has what no effect can do without, and whether Python is still there to be started. */
static int load(int slot) {
    static const char *const needed[] = {"OfxPropertySuite", "OfxImageEffectSuite", "OfxParameterSuite"};
    for (int i = 0; i < 3; i++)
        if (!suite_of(slot, needed[i], 1)) {
            fail("This host lacks %s, without which no effect can work: update the host.", needed[i]);
            return STATUS_MISSING_HOST_FEATURE;
        }
    if (launch.fault[0]) {
        fail("%s", launch.fault);
        return STATUS_FAILED;
    }
    if (atomic_load(&has_started))
        return STATUS_OK;
    look_up(&python.get_version, "Py_GetVersion");
    return (python.get_version ? is_the_right_version() : is_installed()) ? STATUS_OK : STATUS_FAILED;
}

static int dispatch(int slot, int aim, const char *action, const void *handle, void *in, void *out) {
    int status = STATUS_FAILED; /* stands where Python never gets to set it */
    if (!ensure_python()) {
        fail("%s", launch.fault);
        complain(slot, NULL);
        return STATUS_FAILED;
    }
    atomic_store(&has_started, 1);
    Dispatch *answer = shared.dispatch;
    if (!answer || !python.is_initialised())
        return STATUS_FAILED; /* the interpreter has ended before the host */
    answer(slot, aim, action, handle, in, out, hosts[slot], &status);
    return status;
}

static int enter(int slot, const char *action, const void *handle, void *in, void *out) {
    int status;
    if (!action)
        return STATUS_FAILED;
    if (!strcmp(action, "OfxActionLoad")) {
        status = load(slot);
        if (status == STATUS_OK && atomic_load(&has_started))
            return dispatch(slot, FOR_EFFECT, action, handle, in, out);
    } else if (!strcmp(action, "OfxActionDescribe")) {
        status = describe(slot, (void *)handle, NULL);
    } else if (!strcmp(action, "OfxImageEffectActionDescribeInContext")) {
        status = describe_in_context(slot, (void *)handle, in);
    } else if (!strcmp(action, "OfxActionUnload") && !atomic_load(&has_started)) {
        return STATUS_OK;
    } else {
        return dispatch(slot, FOR_EFFECT, action, handle, in, out);
    }
    if (status != STATUS_OK) {
        complain(slot, NULL);
        shared.error[0] = 0;
    }
    return status;
}

/* The drawing over the picture. It describes itself by saying nothing: the host's own defaults are right. */
static int enter_overlay(int slot, const char *action, const void *handle, void *in, void *out) {
    if (!action)
        return STATUS_FAILED;
    if (!strcmp(action, "OfxActionDescribe"))
        return STATUS_OK;
    return dispatch(slot, FOR_OVERLAY, action, handle, in, out);
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
