/* Probe: a small OpenFX host that loads bundles as a real one does, describes every effect, makes an instance of it,
 * and can render a test picture, to say whether and how fast the effects work on this machine.
 *
 *   probe [--reload] [--effect ID] [--render COUNT] [--size WIDTHxHEIGHT] [--float name=value] BINARY.ofx …
 *
 * It prints a line for each effect and ends with 0 where all went well. It keeps every property that is set and asks
 * no questions; the host in tests/ofx_host is the strict one.
 */
#define _GNU_SOURCE
#include <stdarg.h>

#include "system.h"

enum { OK = 0, FAILED = 1, UNKNOWN = 3, BAD_HANDLE = 9, BAD_INDEX = 10, REPLY_DEFAULT = 14 };

/* --- property sets ---------------------------------------------------------------------------------------------- */

enum { MOST_VALUES = 64 };

typedef union {
    void *pointer;
    char *string;
    double number;
    int whole;
} Value;

typedef struct Property {
    struct Property *next;
    char *name;
    char type; /* p, s, d or i */
    int count;
    Value values[MOST_VALUES];
} Property;

typedef struct {
    Property *first;
} Set;

static Property *find(Set *set, const char *name) {
    for (Property *property = set->first; property; property = property->next)
        if (!strcmp(property->name, name))
            return property;
    return NULL;
}

static void clear(Set *set) {
    for (Property *property = set->first, *next; property; property = next) {
        next = property->next;
        if (property->type == 's')
            for (int i = 0; i < property->count; i++)
                free(property->values[i].string);
        free(property->name);
        free(property);
    }
    set->first = NULL;
}

static int put(Set *set, const char *name, int index, char type, Value value) {
    if (!set || !name)
        return BAD_HANDLE;
    if (index < 0 || index >= MOST_VALUES)
        return BAD_INDEX;
    Property *property = find(set, name);
    if (!property) {
        property = calloc(1, sizeof *property);
        property->name = strdup(name);
        property->type = type;
        property->next = set->first;
        set->first = property;
    }
    if (type == 's') {
        free(property->values[index].string);
        value.string = strdup(value.string ? value.string : "");
    }
    property->values[index] = value;
    if (index >= property->count)
        property->count = index + 1;
    return OK;
}

static int get(Set *set, const char *name, int index, char type, Value *value) {
    if (!set || !name)
        return BAD_HANDLE;
    Property *property = find(set, name);
    if (!property || property->type != type)
        return UNKNOWN;
    if (index < 0 || index >= property->count)
        return BAD_INDEX;
    *value = property->values[index];
    return OK;
}

#define ACCESS(word, letter, member, ctype)                                                                           \
    static int set_##word(Set *set, const char *name, int index, ctype value) {                                       \
        return put(set, name, index, letter, (Value){.member = value});                           \
    }                                                                                                                 \
    static int set_##word##s(Set *set, const char *name, int count, ctype const *values) {                            \
        int status = OK;                                                                                              \
        for (int i = 0; i < count && !status; i++)                                                                    \
            status = set_##word(set, name, i, values[i]);                                                             \
        return status;                                                                                                \
    }                                                                                                                 \
    static int get_##word(Set *set, const char *name, int index, ctype *value) {                                      \
        Value found;                                                                                                  \
        int status = get(set, name, index, letter, &found);                                                           \
        if (!status)                                                                                                  \
            *value = found.member;                                                                                    \
        return status;                                                                                                \
    }                                                                                                                 \
    static int get_##word##s(Set *set, const char *name, int count, ctype *values) {                                  \
        int status = OK;                                                                                              \
        for (int i = 0; i < count && !status; i++)                                                                    \
            status = get_##word(set, name, i, values + i);                                                            \
        return status;                                                                                                \
    }
ACCESS(pointer, 'p', pointer, void *)
ACCESS(string, 's', string, char *)
ACCESS(double, 'd', number, double)
ACCESS(int, 'i', whole, int)

static int reset(Set *set, const char *name) {
    return set && find(set, name) ? OK : UNKNOWN;
}

static int get_dimension(Set *set, const char *name, int *count) {
    Property *property = set ? find(set, name) : NULL;
    if (!property)
        return UNKNOWN;
    *count = property->count;
    return OK;
}

static const void *property_suite[] = {
    set_pointer,  set_string,  set_double,  set_int,  set_pointers, set_strings, set_doubles, set_ints,      get_pointer,
    get_string,   get_double,  get_int,     get_pointers, get_strings, get_doubles, get_ints, reset,         get_dimension,
};

/* --- one effect at a time ---------------------------------------------------------------------------------------- */

enum { MOST_CONTROLS = 256, MOST_CLIPS = 8 };

typedef struct {
    char name[64], type[48];
    Set properties;
    int size; /* numbers in its value */
    Value values[4];
} Control;

typedef struct {
    char name[32];
    Set properties, image;
    void *pixels;
} Clip;

static struct {
    Set properties;
    Control controls[MOST_CONTROLS];
    Clip clips[MOST_CLIPS];
    int control_count, clip_count, images_out, width, height;
    char chosen_control[64];
    double chosen_value;
} effect;

static void forget_effect(void) {
    for (int i = 0; i < effect.control_count; i++)
        clear(&effect.controls[i].properties);
    for (int i = 0; i < effect.clip_count; i++) {
        clear(&effect.clips[i].properties);
        clear(&effect.clips[i].image);
        free(effect.clips[i].pixels);
    }
    clear(&effect.properties);
    effect.control_count = effect.clip_count = effect.images_out = 0;
    memset(effect.controls, 0, sizeof effect.controls);
    memset(effect.clips, 0, sizeof effect.clips);
}

static int effect_get_properties(void *handle, Set **set) {
    *set = &effect.properties;
    return handle == &effect ? OK : BAD_HANDLE;
}

static int effect_get_controls(void *handle, void **set) {
    *set = effect.controls;
    return handle == &effect ? OK : BAD_HANDLE;
}

static int clip_get_handle(void *handle, const char *name, Clip **clip, Set **set) {
    (void)handle;
    for (int i = 0; i < effect.clip_count; i++)
        if (!strcmp(effect.clips[i].name, name)) {
            *clip = &effect.clips[i];
            if (set)
                *set = &effect.clips[i].properties;
            return OK;
        }
    return UNKNOWN;
}

static int clip_define(void *handle, const char *name, Set **set) {
    Clip *clip;
    if (clip_get_handle(handle, name, &clip, set) == OK)
        return OK;
    if (effect.clip_count == MOST_CLIPS)
        return FAILED;
    clip = &effect.clips[effect.clip_count++];
    snprintf(clip->name, sizeof clip->name, "%s", name);
    *set = &clip->properties;
    return OK;
}

static int clip_get_properties(Clip *clip, Set **set) {
    *set = &clip->properties;
    return OK;
}

static int clip_get_image(Clip *clip, double time, const void *region, Set **image) {
    (void)time, (void)region;
    if (!clip->pixels)
        return FAILED;
    effect.images_out++;
    *image = &clip->image;
    return OK;
}

static int clip_release_image(Set *image) {
    (void)image;
    effect.images_out--;
    return OK;
}

static int clip_get_region(Clip *clip, double time, double *region) {
    (void)clip, (void)time;
    region[0] = region[1] = 0;
    region[2] = effect.width;
    region[3] = effect.height;
    return OK;
}

static int never_abort(void *handle) {
    (void)handle;
    return 0;
}

static const void *effect_suite[] = {
    effect_get_properties, effect_get_controls, clip_define,     clip_get_handle, clip_get_properties, clip_get_image,
    clip_release_image,    clip_get_region,     never_abort,     NULL,            NULL,                NULL, NULL,
};

/* --- controls ----------------------------------------------------------------------------------------------------- */

static int size_of_type(const char *type) {
    if (strstr(type, "3D") || strstr(type, "RGB"))
        return 3;
    if (strstr(type, "2D"))
        return 2;
    return strstr(type, "Group") || strstr(type, "Page") || strstr(type, "PushButton") ? 0 : 1;
}

static int control_get_handle(Control *controls, const char *name, Control **control, Set **set) {
    (void)controls;
    for (int i = 0; i < effect.control_count; i++)
        if (!strcmp(effect.controls[i].name, name)) {
            *control = &effect.controls[i];
            if (set)
                *set = &effect.controls[i].properties;
            return OK;
        }
    return UNKNOWN;
}

static int control_define(Control *controls, const char *type, const char *name, Set **set) {
    Control *control;
    if (control_get_handle(controls, name, &control, set) == OK || effect.control_count == MOST_CONTROLS)
        return FAILED;
    control = &effect.controls[effect.control_count++];
    snprintf(control->name, sizeof control->name, "%s", name);
    snprintf(control->type, sizeof control->type, "%s", type);
    control->size = size_of_type(type);
    *set = &control->properties;
    return OK;
}

static int control_get_properties(Control *control, Set **set) {
    *set = &control->properties;
    return OK;
}

static int is_text(const Control *control) { return strstr(control->type, "String") != NULL; }
static int is_number(const Control *control) {
    return strstr(control->type, "Double") || strstr(control->type, "RGB");
}

static int read_value(Control *control, va_list targets) {
    for (int i = 0; i < control->size; i++) {
        if (is_text(control))
            *va_arg(targets, char **) = control->values[i].string;
        else if (is_number(control))
            *va_arg(targets, double *) = control->values[i].number;
        else
            *va_arg(targets, int *) = control->values[i].whole;
    }
    return control->size ? OK : UNKNOWN;
}

static int get_value(Control *control, ...) {
    va_list targets;
    va_start(targets, control);
    int status = read_value(control, targets);
    va_end(targets);
    return status;
}

static int get_value_at_time(Control *control, double time, ...) {
    (void)time;
    va_list targets;
    va_start(targets, time);
    int status = read_value(control, targets);
    va_end(targets);
    return status;
}

static int unsupported(void) { return FAILED; }
static int accept(void) { return OK; }

static const void *parameter_suite[] = {
    control_define, control_get_handle, effect_get_properties, control_get_properties, get_value, get_value_at_time,
    unsupported,    unsupported,        unsupported,           unsupported,            unsupported, unsupported,
    unsupported,    unsupported,        unsupported,           unsupported,            accept,    accept,
};

/* Give every control its default; positions are defined in parts of the frame. */
static void set_defaults(void) {
    for (int c = 0; c < effect.control_count; c++) {
        Control *control = &effect.controls[c];
        char type = is_text(control) ? 's' : is_number(control) ? 'd' : 'i';
        Value system = {0};
        get(&control->properties, "OfxParamPropDefaultCoordinateSystem", 0, 's', &system);
        for (int i = 0; i < control->size; i++) {
            control->values[i] = (Value){0};
            get(&control->properties, "OfxParamPropDefault", i, type, &control->values[i]);
            if (system.string)
                control->values[i].number *= i ? effect.height : effect.width;
            if (!strcmp(control->name, effect.chosen_control))
                control->values[i].number = effect.chosen_value;
        }
    }
}

/* --- messages ------------------------------------------------------------------------------------------------------ */

static int message(void *handle, const char *type, const char *id, const char *format, ...) {
    (void)handle, (void)id;
    va_list arguments;
    va_start(arguments, format);
    fprintf(stderr, "%s: ", type);
    vfprintf(stderr, format, arguments);
    fputc('\n', stderr);
    va_end(arguments);
    return OK;
}

static const void *message_suite[] = {message, message, accept};

static int progress_start(void *handle, const char *label) {
    (void)handle;
    printf("progress %s\n", label);
    return OK;
}

static const void *progress_suite[] = {progress_start, accept, accept};

static const void *fetch_suite(void *host, const char *name, int version) {
    (void)host;
    if (!strcmp(name, "OfxPropertySuite"))
        return version == 1 ? property_suite : NULL;
    if (!strcmp(name, "OfxImageEffectSuite"))
        return version == 1 ? effect_suite : NULL;
    if (!strcmp(name, "OfxParameterSuite"))
        return version == 1 ? parameter_suite : NULL;
    if (!strcmp(name, "OfxMessageSuite"))
        return version <= 2 ? message_suite : NULL;
    if (!strcmp(name, "OfxProgressSuite"))
        return version == 1 ? progress_suite : NULL;
    return NULL;
}

/* --- plug-ins ------------------------------------------------------------------------------------------------------- */

typedef struct {
    Set *properties;
    const void *(*fetch_suite)(void *, const char *, int);
} Host;

typedef struct {
    const char *api;
    int api_version;
    const char *identifier;
    unsigned int major, minor;
    void (*set_host)(Host *);
    int (*main_entry)(const char *action, const void *handle, Set *in, Set *out);
} Plugin;

static Set host_properties;
static Host host = {&host_properties, fetch_suite};

static void add_image(Clip *clip) {
    size_t count = (size_t)effect.width * effect.height * 4;
    float *pixels = malloc(count * sizeof *pixels);
    for (size_t i = 0; i < count; i++)
        pixels[i] = i % 4 == 3 ? 1.0f : 0.2f + 0.6f * (float)((i * 2654435761u) >> 8 & 0xffff) / 65536;
    clip->pixels = pixels;
    int bounds[4] = {0, 0, effect.width, effect.height};
    set_ints(&clip->image, "OfxImagePropBounds", 4, bounds);
    set_ints(&clip->image, "OfxImagePropRegionOfDefinition", 4, bounds);
    set_int(&clip->image, "OfxImagePropRowBytes", 0, effect.width * 16);
    set_pointer(&clip->image, "OfxImagePropData", 0, pixels);
    set_string(&clip->image, "OfxImageEffectPropPixelDepth", 0, "OfxBitDepthFloat");
    set_string(&clip->image, "OfxImageEffectPropComponents", 0, "OfxImageComponentRGBA");
    set_string(&clip->image, "OfxImageEffectPropPreMultiplication", 0, "OfxImageAlphaUnPremultiplied");
    set_int(&clip->properties, "OfxImageClipPropConnected", 0, 1);
}

/* Render one frame; the seconds that it took are returned, or -1 where the effect failed. */
static double render_frame(Plugin *plugin, Set *in) {
    double start = seconds();
    int status = plugin->main_entry("OfxImageEffectActionRender", &effect, in, NULL);
    return status == OK ? seconds() - start : -1;
}

static void ask_for_frame(Set *in) {
    int window[4] = {0, 0, effect.width, effect.height};
    double scale[2] = {1, 1};
    set_double(in, "OfxPropTime", 0, 0);
    set_string(in, "OfxImageEffectPropFieldToRender", 0, "OfxFieldNone");
    set_ints(in, "OfxImageEffectPropRenderWindow", 4, window);
    set_doubles(in, "OfxImageEffectPropRenderScale", 2, scale);
}

static int render(Plugin *plugin, int count) {
    Set in = {0};
    ask_for_frame(&in);
    double took = 0, best = 1e9, first = seconds(), began = first;
    long memory = 0;
    int warm_up = count > 200 ? count / 10 : 1; /* memory settles before it is looked at */
    for (int i = 0; i < count + warm_up && took >= 0; i++) {
        if (i == warm_up) {
            first = seconds() - first;
            memory = resident_kilobytes();
            began = seconds();
        }
        took = render_frame(plugin, &in);
        if (i >= warm_up && took < best)
            best = took;
    }
    printf("render %s status=%d first_s=%.3f each_ms=%.4f best_ms=%.4f grown_kb=%ld leaked=%d\n", plugin->identifier,
           took < 0 ? FAILED : OK, first / warm_up, 1e3 * (seconds() - began) / count, 1e3 * best,
           resident_kilobytes() - memory, effect.images_out);
    clear(&in);
    return took >= 0 && effect.images_out == 0;
}

/* Load and describe an effect and make an instance of it, with its controls at their defaults. */
static int make(Plugin *plugin) {
    Set in = {0};
    double began = seconds(), size[2] = {effect.width, effect.height}, zero[2] = {0, 0};
    plugin->set_host(&host);
    int load = plugin->main_entry("OfxActionLoad", NULL, NULL, NULL);
    double loaded = seconds();
    int describe = load ? load : plugin->main_entry("OfxActionDescribe", &effect, NULL, NULL);
    Value context = {.string = "?"};
    get(&effect.properties, "OfxImageEffectPropSupportedContexts", 0, 's', &context);
    set_string(&in, "OfxImageEffectPropContext", 0, context.string);
    char first_context[64];
    snprintf(first_context, sizeof first_context, "%s", context.string);
    int inside = describe ? describe : plugin->main_entry("OfxImageEffectActionDescribeInContext", &effect, &in, NULL);
    set_string(&effect.properties, "OfxImageEffectPropContext", 0, first_context);
    set_doubles(&effect.properties, "OfxImageEffectPropProjectSize", 2, size);
    set_doubles(&effect.properties, "OfxImageEffectPropProjectOffset", 2, zero);
    set_defaults();
    double ready = seconds();
    int create = inside ? inside : plugin->main_entry("OfxActionCreateInstance", &effect, NULL, NULL);
    printf("effect %s %u.%u status=%d clips=%d controls=%d load_ms=%.1f create_ms=%.1f\n", plugin->identifier,
           plugin->major, plugin->minor, create, effect.clip_count, effect.control_count, 1e3 * (loaded - began),
           1e3 * (seconds() - ready));
    clear(&in);
    return create == OK;
}

static void unmake(Plugin *plugin, int made) {
    if (made)
        plugin->main_entry("OfxActionDestroyInstance", &effect, NULL, NULL);
    plugin->main_entry("OfxActionUnload", NULL, NULL, NULL);
    forget_effect();
}

static int use(Plugin *plugin, int renders) {
    int made = make(plugin), good = made;
    if (made && renders) {
        for (int i = 0; i < effect.clip_count; i++)
            add_image(&effect.clips[i]);
        good = render(plugin, renders);
    }
    unmake(plugin, made);
    return good;
}

static int load_bundle(const char *path, const char *wanted, int renders, int close_after) {
    void *library = load_library(path);
    if (!library) {
        fprintf(stderr, "%s: %s\n", path, why_not_loaded());
        return 0;
    }
    int (*count_plugins)(void);
    Plugin *(*get_plugin)(int);
    *(void **)&count_plugins = symbol_of(library, "OfxGetNumberOfPlugins");
    *(void **)&get_plugin = symbol_of(library, "OfxGetPlugin");
    int count = count_plugins ? count_plugins() : 0, good = count > 0;
    printf("bundle %s plugins=%d python_visible=%d\n", path, count, symbol_of_any("OfxGetPlugin") != NULL);
    for (int i = 0; i < count; i++) {
        Plugin *plugin = get_plugin(i);
        if (!wanted || !strcmp(plugin->identifier, wanted))
            good &= use(plugin, renders);
    }
    if (close_after)
        unload(library);
    fflush(stdout);
    return good;
}

int main(int count, char **words) {
    const char *wanted = NULL;
    int reload = 0, renders = 0, good = 1, first = 1;
    effect.width = 64, effect.height = 48;
    for (; first < count && !strncmp(words[first], "--", 2); first++) {
        const char *option = words[first];
        if (!strcmp(option, "--reload"))
            reload = 1;
        else if (!strcmp(option, "--effect") && first + 1 < count)
            wanted = words[++first];
        else if (!strcmp(option, "--render") && first + 1 < count)
            renders = atoi(words[++first]);
        else if (!strcmp(option, "--size") && first + 1 < count)
            sscanf(words[++first], "%dx%d", &effect.width, &effect.height);
        else if (!strcmp(option, "--float") && first + 1 < count)
            sscanf(words[++first], "%63[^=]=%lf", effect.chosen_control, &effect.chosen_value);
        else
            return 2;
    }
    for (int i = first; i < count; i++) {
        if (reload)
            good &= load_bundle(words[i], wanted, renders, 1);
        good &= load_bundle(words[i], wanted, renders, 0);
    }
    return good ? 0 : 1;
}
