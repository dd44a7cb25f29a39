/* Stopwatch: the host of probe.c as a library. It makes one effect, is told which pixels its clips have, and renders
 * whenever it is asked to: between two renders a test can do something else in the same process.
 */
#define main probe_main
#include "../../host_adapters/openfx/probe.c"
#undef main

#define EXPORT __attribute__((visibility("default")))

static Plugin *chosen;
static Set frame;

/* Returns how many clips the effect has, or 0 where it could not be made. */
EXPORT int open_effect(const char *binary, const char *identifier, int width, int height) {
    int (*count_plugins)(void);
    Plugin *(*get_plugin)(int);
    void *library = dlopen(binary, RTLD_NOW | RTLD_LOCAL);
    if (!library)
        return 0;
    *(void **)&count_plugins = dlsym(library, "OfxGetNumberOfPlugins");
    *(void **)&get_plugin = dlsym(library, "OfxGetPlugin");
    chosen = NULL;
    for (int i = 0; i < count_plugins(); i++)
        if (!strcmp(get_plugin(i)->identifier, identifier))
            chosen = get_plugin(i);
    effect.width = width, effect.height = height;
    if (!chosen || !make(chosen))
        return 0;
    ask_for_frame(&frame);
    return effect.clip_count;
}

EXPORT int set_number(const char *name, double value) {
    Control *control;
    if (control_get_handle(NULL, name, &control, NULL) != OK)
        return FAILED;
    control->values[0].number = value;
    return OK;
}

/* The lowest row begins at `lowest`; the pixels stay the caller's. */
EXPORT int connect_clip(const char *name, float *lowest, const char *components, int row_bytes) {
    Clip *clip;
    if (clip_get_handle(NULL, name, &clip, NULL) != OK)
        return FAILED;
    add_image(clip);
    free(clip->pixels);
    clip->pixels = lowest;
    set_int(&clip->image, "OfxImagePropRowBytes", 0, row_bytes);
    set_pointer(&clip->image, "OfxImagePropData", 0, lowest);
    set_string(&clip->image, "OfxImageEffectPropComponents", 0, components);
    return OK;
}

EXPORT double render_once(void) { return render_frame(chosen, &frame); }

EXPORT void close_effect(void) {
    for (int i = 0; i < effect.clip_count; i++)
        effect.clips[i].pixels = NULL; /* the caller's */
    unmake(chosen, 1);
    clear(&frame);
}
