/* A host built on the standard's own host library: it finds the bundles in OFX_PLUGIN_PATH, makes every effect in each
 * of its contexts, calls its actions and renders one float picture.
 *
 * library_host WIDTH HEIGHT SOURCE FOLDER [ID:NAME=VALUE | ID:NAME!]...
 *
 * SOURCE holds RGBA floats, the lowest row first; every clip shows it, a mask its alpha. FOLDER receives the results as
 * ID.MAJOR.CONTEXT. ID:NAME=VALUE sets a parameter before the render, ID:NAME! presses a button; both in order, in the
 * newest version of the effect. One line tells of each action: ID MAJOR CONTEXT ACTION STATUS.
 */
#include <cstdarg>
#include <cstdio>
#include <cstring>
#include <fstream>
#include <iostream>
#include <iterator>
#include <list>
#include <map>
#include <memory>
#include <sstream>
#include <string>
#include <vector>

#include "ofxCore.h"
#include "ofxImageEffect.h"
#include "ofxPixels.h"

/* In the library's own order: its headers do not include each other. */
#include "ofxhBinary.h"
#include "ofxhPropertySuite.h"
#include "ofxhClip.h"
#include "ofxhParam.h"
#include "ofxhMemory.h"
#include "ofxhImageEffect.h"
#include "ofxhPluginAPICache.h"
#include "ofxhPluginCache.h"
#include "ofxhHost.h"
#include "ofxhImageEffectAPI.h"

using namespace OFX::Host;
using std::string;

static int width, height;
static std::vector<float> source;

/* --- parameters that hold a value ----------------------------------------------------------------------------- */

static double number(Param::Descriptor &descriptor, int index) {
    return descriptor.getProperties().getDoubleProperty(kOfxParamPropDefault, index);
}

/* What a parameter of one number does: hold it, the same at all times. */
#define ONE(NAME, BASE, TYPE, READ)                                                                                   \
    struct NAME : Param::BASE {                                                                                       \
        TYPE value;                                                                                                   \
        NAME(Param::Descriptor &d, Param::SetInstance *set) : Param::BASE(d, set), value(READ) {}                     \
        OfxStatus get(TYPE &v) { return v = value, kOfxStatOK; }                                                      \
        OfxStatus get(OfxTime, TYPE &v) { return v = value, kOfxStatOK; }                                             \
        OfxStatus set(TYPE v) { return value = v, kOfxStatOK; }                                                       \
        OfxStatus set(OfxTime, TYPE v) { return value = v, kOfxStatOK; }                                              \
        OfxStatus derive(OfxTime, TYPE &) { return kOfxStatErrMissingHostFeature; }                                   \
        OfxStatus integrate(OfxTime, OfxTime, TYPE &) { return kOfxStatErrMissingHostFeature; }                       \
    };
#define WHOLE d.getProperties().getIntProperty(kOfxParamPropDefault)
ONE(Integer, IntegerInstance, int, WHOLE)
ONE(Choice, ChoiceInstance, int, WHOLE)
ONE(Boolean, BooleanInstance, bool, WHOLE != 0)
ONE(Double, DoubleInstance, double, number(d, 0))

struct Double2D : Param::Double2DInstance {
    double x, y;
    Double2D(Param::Descriptor &d, Param::SetInstance *set) : Param::Double2DInstance(d, set), x(number(d, 0)), y(number(d, 1)) {
        if (d.getProperties().getStringProperty(kOfxParamPropDefaultCoordinateSystem) == kOfxParamCoordinatesNormalised)
            x *= width, y *= height;
    }
    OfxStatus get(double &a, double &b) { return a = x, b = y, kOfxStatOK; }
    OfxStatus get(OfxTime, double &a, double &b) { return a = x, b = y, kOfxStatOK; }
    OfxStatus set(double a, double b) { return x = a, y = b, kOfxStatOK; }
    OfxStatus set(OfxTime, double a, double b) { return x = a, y = b, kOfxStatOK; }
};

#define THREE(NAME, BASE)                                                                                             \
    struct NAME : Param::BASE {                                                                                       \
        double x, y, z;                                                                                               \
        NAME(Param::Descriptor &d, Param::SetInstance *set)                                                           \
            : Param::BASE(d, set), x(number(d, 0)), y(number(d, 1)), z(number(d, 2)) {}                               \
        OfxStatus get(double &a, double &b, double &c) { return a = x, b = y, c = z, kOfxStatOK; }                    \
        OfxStatus get(OfxTime, double &a, double &b, double &c) { return a = x, b = y, c = z, kOfxStatOK; }           \
        OfxStatus set(double a, double b, double c) { return x = a, y = b, z = c, kOfxStatOK; }                       \
        OfxStatus set(OfxTime, double a, double b, double c) { return x = a, y = b, z = c, kOfxStatOK; }              \
    };
THREE(Double3D, Double3DInstance)
THREE(Colour, RGBInstance)

struct Text : Param::StringInstance {
    string value;
    Text(Param::Descriptor &d, Param::SetInstance *set)
        : Param::StringInstance(d, set), value(d.getProperties().getStringProperty(kOfxParamPropDefault)) {}
    OfxStatus get(string &v) { return v = value, kOfxStatOK; }
    OfxStatus get(OfxTime, string &v) { return v = value, kOfxStatOK; }
    OfxStatus set(const char *v) { return value = v, kOfxStatOK; }
    OfxStatus set(OfxTime, const char *v) { return value = v, kOfxStatOK; }
};

/* --- clips and their one picture ------------------------------------------------------------------------------- */

static OfxRectI bounds() { return OfxRectI{0, 0, width, height}; }
static OfxRectD region() { return OfxRectD{0, 0, double(width), double(height)}; }

struct Picture : ImageEffect::Image {
    std::vector<float> pixels;
    Picture(ImageEffect::ClipInstance &clip, bool is_output) : ImageEffect::Image(clip) {
        const int channels = clip.getComponents() == kOfxImageComponentAlpha  ? 1
                             : clip.getComponents() == kOfxImageComponentRGB ? 3
                                                                             : 4;
        pixels.assign(size_t(width) * height * channels, -77.0f);
        for (size_t i = 0; !is_output && i < size_t(width) * height; i++)
            for (int c = 0; c < channels; c++)
                pixels[i * channels + c] = source[i * 4 + (channels == 1 ? 3 : c)];
        const OfxRectI box = bounds();
        for (int i = 0; i < 2; i++)
            setDoubleProperty(kOfxImageEffectPropRenderScale, 1.0, i);
        setPointerProperty(kOfxImagePropData, pixels.data());
        for (int i = 0; i < 4; i++) {
            setIntProperty(kOfxImagePropBounds, (&box.x1)[i], i);
            setIntProperty(kOfxImagePropRegionOfDefinition, (&box.x1)[i], i);
        }
        setIntProperty(kOfxImagePropRowBytes, width * channels * int(sizeof(float)));
        setStringProperty(kOfxImageEffectPropPixelDepth, kOfxBitDepthFloat);
        setStringProperty(kOfxImageEffectPropComponents, clip.getComponents());
        setStringProperty(kOfxImageEffectPropPreMultiplication, kOfxImageUnPreMultiplied);
    }
};

struct Clip : ImageEffect::ClipInstance {
    Picture *output = nullptr;
    Clip(ImageEffect::Instance *effect, ImageEffect::ClipDescriptor *d) : ImageEffect::ClipInstance(effect, *d) {}
    ~Clip() {
        if (output)
            output->releaseReference();
    }
    const string &getUnmappedBitDepth() const { return text(kOfxBitDepthFloat); }
    const string &getUnmappedComponents() const {
        return text(isMask() ? kOfxImageComponentAlpha : kOfxImageComponentRGBA);
    }
    const string &getPremult() const { return text(kOfxImageUnPreMultiplied); }
    double getAspectRatio() const { return 1.0; }
    double getFrameRate() const { return 24.0; }
    void getFrameRange(double &first, double &last) const { first = 0, last = 4; }
    const string &getFieldOrder() const { return text(kOfxImageFieldNone); }
    bool getConnected() const { return true; }
    double getUnmappedFrameRate() const { return 24.0; }
    void getUnmappedFrameRange(double &first, double &last) const { first = 0, last = 4; }
    bool getContinuousSamples() const { return false; }
    OfxRectD getRegionOfDefinition(OfxTime) const { return region(); }
    ImageEffect::Image *getImage(OfxTime, const OfxRectD *) {
        if (getName() != kOfxImageEffectOutputClipName)
            return new Picture(*this, false);
        if (!output)
            output = new Picture(*this, true);
        output->addReference();
        return output;
    }

  private:
    static const string &text(const char *word) {
        static std::map<string, string> known;
        return known.emplace(word, word).first->second;
    }
};

/* --- instances and the host ------------------------------------------------------------------------------------ */

static OfxStatus tell(const char *type, const char *format, va_list arguments) {
    printf("message %s ", type);
    vprintf(format, arguments);
    printf("\n");
    return kOfxStatOK;
}

struct Instance : ImageEffect::Instance {
    Instance(ImageEffect::ImageEffectPlugin *plugin, ImageEffect::Descriptor &d, const string &context)
        : ImageEffect::Instance(plugin, d, context, false) {}
    ImageEffect::ClipInstance *newClipInstance(ImageEffect::Instance *, ImageEffect::ClipDescriptor *d, int) {
        return new Clip(this, d);
    }
    const string &getDefaultOutputFielding() const {
        static const string none(kOfxImageFieldNone);
        return none;
    }
    OfxStatus vmessage(const char *type, const char *, const char *format, va_list arguments) {
        return tell(type, format, arguments);
    }
    OfxStatus setPersistentMessage(const char *type, const char *, const char *format, va_list arguments) {
        return tell(type, format, arguments);
    }
    OfxStatus clearPersistentMessage() { return kOfxStatOK; }
    void getProjectSize(double &x, double &y) const { x = width, y = height; }
    void getProjectOffset(double &x, double &y) const { x = y = 0; }
    void getProjectExtent(double &x, double &y) const { x = width, y = height; }
    double getProjectPixelAspectRatio() const { return 1.0; }
    double getEffectDuration() const { return 5.0; }
    double getFrameRate() const { return 24.0; }
    double getFrameRecursive() const { return 0.0; }
    void getRenderScaleRecursive(double &x, double &y) const { x = y = 1.0; }
    Param::Instance *newParam(const string &, Param::Descriptor &d) {
        const string &type = d.getType();
        if (type == kOfxParamTypeInteger)
            return new Integer(d, this);
        if (type == kOfxParamTypeDouble)
            return new Double(d, this);
        if (type == kOfxParamTypeBoolean)
            return new Boolean(d, this);
        if (type == kOfxParamTypeChoice)
            return new Choice(d, this);
        if (type == kOfxParamTypeDouble2D)
            return new Double2D(d, this);
        if (type == kOfxParamTypeDouble3D)
            return new Double3D(d, this);
        if (type == kOfxParamTypeRGB)
            return new Colour(d, this);
        if (type == kOfxParamTypeString)
            return new Text(d, this);
        if (type == kOfxParamTypePushButton)
            return new Param::PushbuttonInstance(d, this);
        if (type == kOfxParamTypeGroup)
            return new Param::GroupInstance(d, this);
        if (type == kOfxParamTypePage)
            return new Param::PageInstance(d, this);
        printf("unknown type of parameter %s\n", type.c_str());
        return nullptr;
    }
    OfxStatus editBegin(const string &) { return kOfxStatOK; }
    OfxStatus editEnd() { return kOfxStatOK; }
    void progressStart(const string &, const string &) {}
    void progressEnd() {}
    bool progressUpdate(double) { return true; }
    double timeLineGetTime() { return 0; }
    void timeLineGotoTime(double) {}
    void timeLineGetBounds(double &first, double &last) { first = 0, last = 4; }

    bool put(const string &name, const string &value) {
        Param::Instance *param = getParam(name);
        std::istringstream words(value);
        double x = 0, y = 0;
        words >> x >> y;
        if (auto *p = dynamic_cast<Double *>(param))
            p->value = x;
        else if (auto *p = dynamic_cast<Integer *>(param))
            p->value = int(x);
        else if (auto *p = dynamic_cast<Choice *>(param))
            p->value = int(x);
        else if (auto *p = dynamic_cast<Boolean *>(param))
            p->value = x != 0;
        else if (auto *p = dynamic_cast<Double2D *>(param))
            p->x = x, p->y = y;
        else if (auto *p = dynamic_cast<Text *>(param))
            p->value = value;
        else
            return false;
        return true;
    }
};

struct MyHost : ImageEffect::Host {
    MyHost() {
        _properties.setIntProperty(kOfxPropAPIVersion, 1, 0);
        _properties.setIntProperty(kOfxPropAPIVersion, 4, 1);
        _properties.setStringProperty(kOfxPropName, "org.inkarnat.tests.library");
        _properties.setStringProperty(kOfxPropLabel, "Host library");
        _properties.setIntProperty(kOfxImageEffectPropSupportsTiles, 1);
        _properties.setIntProperty(kOfxImageEffectPropTemporalClipAccess, 1);
        _properties.setIntProperty(kOfxImageEffectPropSupportsMultiResolution, 1);
        _properties.setStringProperty(kOfxImageEffectPropSupportedComponents, kOfxImageComponentRGBA, 0);
        _properties.setStringProperty(kOfxImageEffectPropSupportedComponents, kOfxImageComponentAlpha, 1);
        _properties.setStringProperty(kOfxImageEffectPropSupportedContexts, kOfxImageEffectContextFilter, 0);
        _properties.setStringProperty(kOfxImageEffectPropSupportedContexts, kOfxImageEffectContextGeneral, 1);
        _properties.setIntProperty(kOfxParamHostPropMaxParameters, -1);
    }
    ImageEffect::Instance *newInstance(void *, ImageEffect::ImageEffectPlugin *plugin, ImageEffect::Descriptor &d,
                                       const string &context) {
        return new Instance(plugin, d, context);
    }
    ImageEffect::Descriptor *makeDescriptor(ImageEffect::ImageEffectPlugin *plugin) {
        return new ImageEffect::Descriptor(plugin);
    }
    ImageEffect::Descriptor *makeDescriptor(const ImageEffect::Descriptor &root, ImageEffect::ImageEffectPlugin *plugin) {
        return new ImageEffect::Descriptor(root, plugin);
    }
    ImageEffect::Descriptor *makeDescriptor(const string &path, ImageEffect::ImageEffectPlugin *plugin) {
        return new ImageEffect::Descriptor(path, plugin);
    }
    OfxStatus vmessage(const char *type, const char *, const char *format, va_list arguments) {
        return tell(type, format, arguments);
    }
    OfxStatus setPersistentMessage(const char *type, const char *, const char *format, va_list arguments) {
        return tell(type, format, arguments);
    }
    OfxStatus clearPersistentMessage() { return kOfxStatOK; }
};

/* --- at work --------------------------------------------------------------------------------------------------- */

static void use(ImageEffect::ImageEffectPlugin *plugin, const string &context, const string &folder,
                const std::vector<string> &wishes) {
    const string id = plugin->getIdentifier();
    const string short_context = context.substr(strlen("OfxImageEffectContext"));
    std::ostringstream heading;
    heading << id << " " << plugin->getVersionMajor() << " " << short_context;
    auto say = [&](const char *action, int status) { printf("%s %s %d\n", heading.str().c_str(), action, status); };

    std::unique_ptr<ImageEffect::Instance> made(plugin->createInstance(context, nullptr));
    auto *instance = dynamic_cast<Instance *>(made.get());
    if (!instance)
        return say("create", -1);
    say("create", instance->createInstanceAction());
    say("preferences", instance->getClipPreferences() ? 0 : -1);
    OfxPointD scale = {1.0, 1.0};
    for (const string &wish : wishes) {
        const size_t colon = wish.find(':'), equals = wish.find('=');
        if (wish.substr(0, colon) != id)
            continue;
        if (equals == string::npos) {
            const string button = wish.substr(colon + 1, wish.size() - colon - 2);
            instance->beginInstanceChangedAction(kOfxChangeUserEdited);
            say(button.c_str(), instance->paramInstanceChangedAction(button, kOfxChangeUserEdited, 0.0, scale));
            instance->endInstanceChangedAction(kOfxChangeUserEdited);
        } else if (!instance->put(wish.substr(colon + 1, equals - colon - 1), wish.substr(equals + 1))) {
            say(wish.c_str(), -1);
        }
    }
    OfxRectD rod;
    say("region", instance->getRegionOfDefinitionAction(0.0, scale, rod));
    std::map<ImageEffect::ClipInstance *, OfxRectD> interest;
    say("interest", instance->getRegionOfInterestAction(0.0, scale, region(), interest));
    ImageEffect::RangeMap frames;
    say("frames", instance->getFrameNeededAction(0.0, frames));
    say("begin", instance->beginRenderAction(0, 0, 1.0, false, scale, true, false));
    say("render", instance->renderAction(0.0, kOfxImageFieldNone, bounds(), scale, true, false, false));
    say("end", instance->endRenderAction(0, 0, 1.0, false, scale, true, false));
    say("purge", instance->purgeCachesAction());
    say("sync", instance->syncPrivateDataAction());
    auto *output = dynamic_cast<Clip *>(instance->getClip(kOfxImageEffectOutputClipName));
    if (output && output->output) {
        std::ostringstream name;
        name << folder << "/" << id << "." << plugin->getVersionMajor() << "." << short_context;
        std::ofstream file(name.str(), std::ios::binary);
        const auto &pixels = output->output->pixels;
        file.write(reinterpret_cast<const char *>(pixels.data()), std::streamsize(pixels.size() * sizeof(float)));
    }
    if (auto *report = dynamic_cast<Text *>(instance->getParam("report")))
        if (!report->value.empty())
            printf("%s report %s\n", heading.str().c_str(), report->value.c_str());
}

int main(int count, char **words) {
    if (count < 5)
        return 2;
    width = atoi(words[1]), height = atoi(words[2]);
    std::ifstream file(words[3], std::ios::binary);
    const string bytes((std::istreambuf_iterator<char>(file)), std::istreambuf_iterator<char>());
    source.resize(bytes.size() / sizeof(float));
    memcpy(source.data(), bytes.data(), source.size() * sizeof(float));
    const std::vector<string> wishes(words + 5, words + count);

    MyHost host;
    ImageEffect::PluginCache cache(host);
    PluginCache::getPluginCache()->setCacheVersion("inkarnat tests");
    cache.registerInCache(*PluginCache::getPluginCache());
    PluginCache::getPluginCache()->scanPluginFiles();
    for (ImageEffect::ImageEffectPlugin *plugin : cache.getPlugins())
        for (const string &context : plugin->getContexts())
            use(plugin, context, words[4], wishes);
    fflush(stdout);
    PluginCache::clearPluginCache();
    return 0;
}
