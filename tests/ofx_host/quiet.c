/* Quiet: the host of probe.c, which loads and describes every effect of a bundle and makes no instance, as a host does
 * that looks for its plug-ins. It prints whether Python came into the process, what that took, and two numbers.
 */
#define main probe_main
#include "../../host_adapters/openfx/probe.c"
#undef main
#include <locale.h>

int main(int count, char **words) {
    int (*count_plugins)(void), described = 0;
    Plugin *(*get_plugin)(int);
    Set in = {0};
    void *library = count == 2 ? load_library(words[1]) : NULL;
    if (!library)
        return 2;
    setlocale(LC_ALL, "de_DE.UTF-8");
    effect.width = 64, effect.height = 48;
    double slope = 0, increment = 0, began = seconds();
    long memory = resident_kilobytes();
    *(void **)&count_plugins = symbol_of(library, "OfxGetNumberOfPlugins");
    *(void **)&get_plugin = symbol_of(library, "OfxGetPlugin");
    for (int i = 0; i < count_plugins(); i++) {
        Plugin *plugin = get_plugin(i);
        plugin->set_host(&host);
        if (plugin->main_entry("OfxActionLoad", NULL, NULL, NULL) ||
            plugin->main_entry("OfxActionDescribe", &effect, NULL, NULL))
            return 1;
        Value context;
        get(&effect.properties, "OfxImageEffectPropSupportedContexts", 0, 's', &context);
        set_string(&in, "OfxImageEffectPropContext", 0, context.string);
        if (plugin->main_entry("OfxImageEffectActionDescribeInContext", &effect, &in, NULL))
            return 1;
        described += effect.clip_count > 1 && effect.control_count > 0;
        for (int c = 0; c < effect.control_count; c++)
            if (!strcmp(effect.controls[c].name, "slope")) {
                get_double(&effect.controls[c].properties, "OfxParamPropDefault", 0, &slope);
                get_double(&effect.controls[c].properties, "OfxParamPropIncrement", 0, &increment);
            }
        forget_effect();
    }
    char half[16];
    snprintf(half, sizeof half, "%.1f", 0.5);
    setlocale(LC_NUMERIC, "C");
    printf("comma=%d effects=%d python=%d seconds=%.4f grown_kb=%ld slope_default=%f increment=%f\n",
           half[1] == ',', described,
           symbol_of_any("Py_GetVersion") != NULL, seconds() - began, resident_kilobytes() - memory, slope, increment);
    return 0;
}
